"""``girthstrip send …``: queue DICOM files for named peers, send them, say what became of them."""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.commands.options import FAILED_VERDICT, Debug, Json, Quiet
from pipeline.errors import SendError
from pipeline.terminal import ProgressLines, show

if TYPE_CHECKING:
    from pipeline.config.peers import Peer, SendJob
    from pipeline.outputs.send.entry import Entry
    from pipeline.outputs.send.queue import Queue

send_commands = typer.Typer(
    name="send",
    help="Send DICOM files to named peers, through a queue that outlives power cuts.",
    no_args_is_help=True,
)

Peers = Annotated[
    Path, typer.Option("--peers", metavar="FILE", help="Config of the peers and the queue.")
]
_PEERS = Path("peers.toml")
To = Annotated[str, typer.Option("--to", metavar="PEER", help="The peer's name in the config.")]
What = Annotated[str, typer.Argument(metavar="WHAT", help="A weld, a file, or a SOP instance UID.")]
AnyPeer = Annotated[
    str | None, typer.Option("--to", metavar="PEER", help="Only this peer; without it all.")
]


@send_commands.command(epilog="Example: girthstrip send check --to office")
def check(to: To, peers: Peers = _PEERS, as_json: Json = False, debug: Debug = False) -> None:
    """Greet a peer (C-ECHO): is it there, does it know us, does the encryption hold?"""
    from pipeline.config.peers import load_peers
    from pipeline.outputs.send.connection import Away, association
    from pipeline.outputs.send.trouble import address

    job = load_peers(peers)
    peer = _named(job, to)
    try:
        with association(job, peer):
            pass
    except Away as away:
        raise away.trouble.as_error() from away
    show(
        as_json,
        {"peer": peer.name, "answers": True, "tls": peer.tls is not None},
        f"{address(peer)} answers" + (", encrypted (TLS)" if peer.tls else ""),
    )


@send_commands.command(epilog="Example: girthstrip send add dicom --to office")
def add(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE", help="DICOM files, or folders that hold them (*.dcm)."),
    ],
    to: To,
    peers: Peers = _PEERS,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Put files into the queue. Nothing is sent yet; nothing is queued twice."""
    from pipeline.config.peers import load_peers
    from pipeline.outputs.send.admission import Admission
    from pipeline.outputs.send.instance import find_files, read_instance
    from pipeline.outputs.send.queue import Queue
    from pipeline.outputs.send.status import queued_text

    job = load_peers(peers)
    peer = _named(job, to)
    found = find_files(files)
    bad: list[str] = []
    instances = []
    with ProgressLines(quiet) as progress:
        for done, path in enumerate(found, start=1):
            try:
                instances.append(read_instance(path))
            except SendError as error:
                bad.append(str(error))
            progress("looking at files", done, len(found))
    became: Counter[Admission] = Counter()
    with Queue(job.sender.queue) as queue:
        for instance in instances:
            try:
                became[queue.add(peer.name, instance)] += 1
            except SendError as error:
                bad.append(str(error))
    added = became[Admission.NEW] + became[Admission.REPLACES]
    known = became[Admission.KNOWN] + became[Admission.REPACKED]
    follow = f"girthstrip send run --peers {shlex.quote(str(peers))}"
    record = {
        "peer": peer.name,
        "queued": added,
        "replaced": became[Admission.REPLACES],
        "known": known,
        "not_queued": bad,
        "queue": str(job.sender.queue),
    }
    show(as_json, record, f"{queued_text(peer.name, became)}\nnext        {follow}")
    if bad:
        if not as_json:
            lines = [f"{len(bad)} of {len(found)} files were not queued:", *bad]
            typer.echo("girthstrip: " + "\n".join(lines), err=True)
        raise typer.Exit(SendError.exit_code)


@send_commands.command(epilog="Example: girthstrip send run --peers peers.toml")
def run(
    to: AnyPeer = None,
    peers: Peers = _PEERS,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Send what the queue holds; goes on where an earlier run was cut off."""
    from pipeline.config.peers import load_peers
    from pipeline.outputs.send.deliver import deliver
    from pipeline.outputs.send.queue import Queue
    from pipeline.outputs.send.status import by_weld, status_record, status_text

    def waiting(what: str) -> None:
        if not quiet:
            typer.echo(f"waiting     {what}", err=True)

    job = load_peers(peers)
    if to is not None:
        _named(job, to)
    with Queue(job.sender.queue) as queue:
        with ProgressLines(quiet) as progress:
            troubles = [
                str(one.as_error())
                for one in deliver(queue, job, progress=progress, waiting=waiting, only=to)
            ]
        _log_deliveries(queue)
        entries = queue.entries(peer=to)
    welds = by_weld(entries)
    show(as_json, status_record(welds, troubles), status_text(welds, troubles))
    if troubles or not all(weld.delivered for weld in welds):
        raise typer.Exit(FAILED_VERDICT)


@send_commands.command(epilog="Example: girthstrip send status --json")
def status(
    weld: Annotated[
        str | None, typer.Argument(metavar="WELD", help="Only this weld; without it all.")
    ] = None,
    to: AnyPeer = None,
    peers: Peers = _PEERS,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Say what has become of each weld's files."""
    from pipeline.config.peers import load_peers
    from pipeline.outputs.send.queue import Queue
    from pipeline.outputs.send.status import by_weld, status_record, status_text

    job = load_peers(peers)
    if to is not None:
        _named(job, to)
    with Queue(job.sender.queue) as queue:
        entries = queue.entries(peer=to)
    welds = by_weld([one for one in entries if weld in (None, one.weld)])
    if weld is not None and not welds:
        raise SendError(
            f"holds nothing of weld {weld!r}",
            where=str(job.sender.queue),
            remedy="girthstrip send status shows all welds",
        )
    show(as_json, status_record(welds), status_text(welds))


@send_commands.command(epilog="Example: girthstrip send again W-0001 --to office")
def again(
    what: What,
    to: To,
    delivered: Annotated[
        bool, typer.Option("--delivered", help="Also what was delivered already.")
    ] = False,
    peers: Peers = _PEERS,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Have the next run send again what was refused, held or dropped, as its files are now."""
    from pipeline.config.peers import load_peers
    from pipeline.outputs.send.entry import State
    from pipeline.outputs.send.instance import read_again
    from pipeline.outputs.send.queue import Queue

    job = load_peers(peers)
    peer = _named(job, to)
    wanted = {State.REFUSED, State.HELD, State.DROPPED, *([State.DELIVERED] if delivered else [])}
    with Queue(job.sender.queue) as queue, queue.running():
        found = [one for one in queue.find(what) if one.peer == peer.name]
        chosen = [one for one in found if one.state in wanted]
        now = [(entry, read_again(entry)) for entry in chosen]  # all before the first is changed
        for entry, instance in now:
            queue.ask_again(entry, instance)
    if not chosen:
        raise SendError(
            f"nothing of {what!r} is refused, held or dropped for {peer.name}: {_states(found)}",
            where=str(job.sender.queue),
            remedy="What was delivered is sent again only with --delivered",
        )
    show(as_json, {"peer": peer.name, "waiting": len(chosen)}, f"{len(chosen)} wait to be sent")


@send_commands.command(epilog="Example: girthstrip send drop W-0001 --to office")
def drop(
    what: What,
    to: To,
    peers: Peers = _PEERS,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Give up what hasn't been delivered: no run works on it any more. Files stay where they are.

    The queue keeps it as dropped; girthstrip send again takes it up again.
    """
    from pipeline.config.peers import load_peers
    from pipeline.outputs.send.entry import State
    from pipeline.outputs.send.queue import Queue

    job = load_peers(peers)
    peer = _named(job, to)
    with Queue(job.sender.queue) as queue, queue.running():
        found = [one for one in queue.find(what) if one.peer == peer.name]
        chosen = [one for one in found if one.state not in (State.DELIVERED, State.DROPPED)]
        for entry in chosen:
            queue.update(entry, State.DROPPED)
    if not chosen:
        raise SendError(
            f"nothing of {what!r} is on its way to {peer.name}: {_states(found)}",
            where=str(job.sender.queue),
            remedy="girthstrip send status shows what is",
        )
    show(as_json, {"peer": peer.name, "dropped": len(chosen)}, f"{len(chosen)} dropped")


def _states(entries: Sequence[Entry]) -> str:
    return ", ".join(sorted({str(one.state) for one in entries})) or "not in the queue"


def _log_deliveries(queue: Queue) -> None:
    """Have each weld's audit log know what was delivered, earlier runs that were cut off included.

    What a log doesn't take is tried again by the next run.
    """
    from pipeline.commands.logged import logged_files
    from pipeline.outputs.audit.noting import log_parent

    groups: dict[tuple[Path, str, str], list[Entry]] = {}
    for one in queue.not_noted():
        groups.setdefault((log_parent(one.path), one.weld, one.peer), []).append(one)
    for (parent, weld, peer), entries in groups.items():
        known = logged_files(
            parent,
            weld,
            "send",
            {one.path.name: one.sha256 for one in entries},
            peer=peer,
            sop_instances=[one.sop_instance for one in entries],
            confirmed_by=sorted({one.confirmed for one in entries}),
        )
        if known:
            queue.mark_noted(entries)


def _named(job: SendJob, name: str) -> Peer:
    """The peer of that name; nothing is sent to any other."""
    for peer in job.peer:
        if peer.name == name:
            return peer
    raise SendError(
        f"there is no peer {name!r} in the config",
        expected=" or ".join(repr(peer.name) for peer in job.peer),
        remedy="Enter it under [[peer]]; nothing is sent to peers that aren't there",
    )
