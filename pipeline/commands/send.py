"""``girthstrip send …``: queue DICOM files for named peers, send them, say what became of them."""

# ruff: noqa: PLC0415 - each command imports what it needs, so that --help doesn't wait for it

from __future__ import annotations

import shlex
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


@send_commands.command(epilog="Example: girthstrip send add result --to office")
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
    from pipeline.outputs.send.instance import find_files, read_instance
    from pipeline.outputs.send.queue import Queue

    job = load_peers(peers)
    peer = _named(job, to)
    found = find_files(files)
    with ProgressLines(quiet) as progress:
        instances = []
        for path in found:  # all are looked at before the first is queued
            instances.append(read_instance(path))
            progress("looking at files", len(instances), len(found))
    with Queue(job.sender.queue) as queue:
        added = sum(queue.add(peer.name, instance) is not None for instance in instances)
    known = len(instances) - added
    text = f"{added} queued for {peer.name}"
    if known:
        text += f"; {known} stood there already and are not sent twice"
    record = {"peer": peer.name, "queued": added, "known": known, "queue": str(job.sender.queue)}
    follow = f"girthstrip send run --peers {shlex.quote(str(peers))}"
    show(as_json, record, f"{text}\nnext        {follow}")


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

    job = load_peers(peers)
    if to is not None:
        _named(job, to)
    with Queue(job.sender.queue) as queue:
        with ProgressLines(quiet) as progress:
            troubles = [
                str(one.as_error()) for one in deliver(queue, job, progress=progress, only=to)
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
    what: Annotated[
        str,
        typer.Argument(metavar="WHAT", help="A weld, a file, or a SOP instance UID."),
    ],
    to: To,
    delivered: Annotated[
        bool, typer.Option("--delivered", help="Also what was delivered already.")
    ] = False,
    peers: Peers = _PEERS,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Have the next run send again what was refused or held."""
    from pipeline.config.peers import load_peers
    from pipeline.outputs.send.entry import State
    from pipeline.outputs.send.queue import Queue

    job = load_peers(peers)
    peer = _named(job, to)
    wanted = {State.REFUSED, State.HELD, *([State.DELIVERED] if delivered else [])}
    with Queue(job.sender.queue) as queue, queue.running():
        found = [one for one in queue.find(what) if one.peer == peer.name]
        chosen = [one for one in found if one.state in wanted]
        for entry in chosen:
            queue.ask_again(entry)
    if not chosen:
        states = ", ".join(sorted({str(one.state) for one in found})) or "not in the queue"
        raise SendError(
            f"nothing of {what!r} is refused or held for {peer.name}: {states}",
            where=str(job.sender.queue),
            remedy="What was delivered is sent again only with --delivered",
        )
    show(as_json, {"peer": peer.name, "waiting": len(chosen)}, f"{len(chosen)} wait to be sent")


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
