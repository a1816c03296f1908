"""``girthstrip send`` against real peers, and what it says when something is wrong."""

from __future__ import annotations

import gc
import hashlib
import json
import shutil
import socket
import subprocess
from pathlib import Path

import pydicom
import pytest
from pynetdicom import AE, evt
from pynetdicom.sop_class import StorageCommitmentPushModel, Verification

from pipeline.cli import run
from pipeline.io.audit_log import log_folder, read_audit_log
from tests.outputs.send.dicom_files import DX_FOR_PROCESSING, write_file, write_welds
from tests.outputs.send.real_peers import Orthanc, storescp

Capture = pytest.CaptureFixture[str]


def send(peers: Path, *words: str | Path) -> int:
    return run(["send", *map(str, words), "--peers", str(peers)])


def told(capsys: Capture) -> str:
    got = capsys.readouterr()
    return got.out + got.err


def status(peers: Path, capsys: Capture) -> dict[str, dict[str, object]]:
    """Each file's record by its weld."""
    capsys.readouterr()
    assert send(peers, "status", "--json") == 0
    welds = json.loads(capsys.readouterr().out)["welds"]
    return {weld["weld"]: weld["files"][0] for weld in welds}


def test_what_arrives_is_committed_and_sent_once(
    orthanc_program: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    path = write_file(tmp_path / "result" / "strip.dcm", "W-7", side=700)  # many PDUs
    orthanc = Orthanc(tmp_path / "orthanc")
    orthanc.start()
    try:
        assert send(peers, "check", "--to", "orthanc") == 0
        assert send(peers, "add", tmp_path / "result", "--to", "orthanc") == 0
        assert send(peers, "run") == 0
        assert send(peers, "add", path, "--to", "orthanc") == 0
        assert send(peers, "run") == 0
        (arrived,) = orthanc.instances()
        pixels = orthanc.raw(f"/instances/{arrived}/frames/0/raw")
        assert pixels == pydicom.dcmread(path).PixelData
        record = status(peers, capsys)["W-7"]
        assert (record["state"], record["sent_times"]) == ("delivered", 1)
        assert record["commitment"] == "committed"
        assert orthanc.arrivals() == 1

        assert send(peers, "again", "W-7", "--to", "orthanc") == 2  # delivered: not unasked
        assert send(peers, "again", "W-7", "--to", "orthanc", "--delivered") == 0
        assert send(peers, "run") == 0
        assert orthanc.arrivals() == 2
    finally:
        orthanc.end()


def test_a_peer_that_lost_what_it_took_is_found_out(
    orthanc_program: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    """Orthanc is made to forget the instance before it is asked for commitment."""
    write_file(tmp_path / "W-1.dcm", "W-1")
    text = peers.read_text()
    orthanc = Orthanc(tmp_path / "orthanc")
    orthanc.start()
    try:
        never = text.replace('ae_title = "ORTHANC"', 'ae_title = "ORTHANC"\ncommitment = "never"')
        peers.write_text(never)
        assert send(peers, "add", tmp_path / "W-1.dcm", "--to", "orthanc") == 0
        assert send(peers, "run") == 0
        subprocess.run(
            ["curl", "-sX", "DELETE", f"http://127.0.0.1:8042/instances/{orthanc.instances()[0]}"],
            check=True,
            capture_output=True,
        )
        peers.write_text(text)
        assert send(peers, "run") == 3
    finally:
        orthanc.end()
    record = status(peers, capsys)["W-1"]
    assert (record["state"], record["commitment"]) == ("held", "not held")


def test_a_wrong_ae_title_ends_the_run_and_loses_nothing(
    orthanc_program: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    right = peers.read_text()
    peers.write_text(right.replace('"ORTHANC"', '"ORTHANK"'))
    write_file(tmp_path / "W-1.dcm", "W-1")
    assert send(peers, "add", tmp_path / "W-1.dcm", "--to", "orthanc") == 0
    orthanc = Orthanc(tmp_path / "orthanc")
    orthanc.start()
    try:
        assert send(peers, "check", "--to", "orthanc") == 2
        assert "doesn't answer to the AE title 'ORTHANK'" in told(capsys)
        assert send(peers, "run") == 3
        assert "correct ae_title" in told(capsys)
        peers.write_text(right)
        assert send(peers, "run") == 0
    finally:
        orthanc.end()


def test_a_peer_that_is_down_is_told_and_the_queue_keeps_all(
    network: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    peers.write_text(peers.read_text().replace("give_up_s = 15", "give_up_s = 0"))
    assert send(peers, "check", "--to", "store") == 2
    assert "is down or can't be reached (Connection refused)" in told(capsys)
    write_file(tmp_path / "W-1.dcm", "W-1")
    assert send(peers, "add", tmp_path / "W-1.dcm", "--to", "store") == 0
    assert send(peers, "run") == 3
    assert "girthstrip send run goes on" in told(capsys)
    assert status(peers, capsys)["W-1"]["state"] == "waiting"


def test_a_kind_that_the_peer_does_not_take_is_refused_alone(
    dcmtk: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    """storescp is told to take implicit VR only (+xi); one of the two files is written so."""
    plain = write_file(tmp_path / "explicit.dcm", "W-1")
    image = pydicom.dcmread(write_file(tmp_path / "implicit.dcm", "W-2"))
    image.file_meta.TransferSyntaxUID = pydicom.uid.ImplicitVRLittleEndian
    pydicom.dcmwrite(tmp_path / "implicit.dcm", image, implicit_vr=True, little_endian=True)
    store = storescp(tmp_path / "store", 11112, "+xi")
    store.start()
    try:
        assert send(peers, "add", plain, tmp_path / "implicit.dcm", "--to", "store") == 0
        assert send(peers, "run") == 3
    finally:
        store.end()
    records = status(peers, capsys)
    assert records["W-2"]["state"] == "delivered"
    assert records["W-1"]["state"] == "refused"
    assert records["W-1"]["sent_times"] == 0
    assert records["W-1"]["told"] == (
        "it takes Digital X-Ray Image Storage - For Processing only as Implicit VR Little Endian, "
        "not as Explicit VR Little Endian"
    )


def test_unclear_endings_are_held_where_the_config_wants_it(
    dcmtk: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    """storescp is told to hang up after receiving a file, before answering (--abort-after)."""
    peers.write_text(peers.read_text() + '\nunclear = "hold"\n')
    write_file(tmp_path / "W-1.dcm", "W-1")
    store = storescp(tmp_path / "store", 11112, "--abort-after")
    store.start()
    try:
        assert send(peers, "add", tmp_path / "W-1.dcm", "--to", "store") == 0
        assert send(peers, "run") == 3
    finally:
        store.end()
    record = status(peers, capsys)["W-1"]
    assert (record["state"], record["sent_times"]) == ("held", 1)
    assert "can't be asked" in str(record["told"])


def certificate(folder: Path, name: str, address: str) -> tuple[Path, Path]:
    """A key and a certificate that signs itself, by openssl."""
    key, made = folder / f"{name}.key", folder / f"{name}.pem"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
            *("-subj", f"/CN={name}", "-addext", f"subjectAltName=IP:{address}"),
            *("-keyout", key, "-out", made),
        ],
        check=True,
        capture_output=True,
    )
    return key, made


def test_tls_with_certificates_both_ways(
    dcmtk: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    """storescp wants TLS and our certificate; a stranger's certificate is trusted by nobody."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    theirs = certificate(tmp_path, "store", "127.0.0.1")
    ours = certificate(tmp_path, "ours", "127.0.0.1")
    other = certificate(tmp_path, "other", "127.0.0.1")
    store = storescp(
        tmp_path / "store", 11112, "+tls", *map(str, theirs), "+cf", str(ours[1]), "-rc"
    )
    plain = peers.read_text().replace("give_up_s = 15", "give_up_s = 0")

    def config(trusted: Path, own: tuple[Path, Path] | None) -> None:
        lines = ["", "[peer.tls]", f'ca_file = "{trusted}"']
        if own:
            lines += [f'key_file = "{own[0]}"', f'certificate_file = "{own[1]}"']
        peers.write_text(plain + "\n".join(lines))

    write_file(tmp_path / "W-1.dcm", "W-1")
    store.start()
    try:
        config(theirs[1], ours)
        assert send(peers, "check", "--to", "store") == 0
        assert "encrypted" in told(capsys)
        assert send(peers, "add", tmp_path / "W-1.dcm", "--to", "store") == 0
        assert send(peers, "run") == 0

        config(other[1], ours)
        assert send(peers, "check", "--to", "store") == 2
        assert "certificate that isn't trusted" in told(capsys)
        config(theirs[1], other)
        assert send(peers, "check", "--to", "store") == 2
        assert "can't agree on encryption" in told(capsys)
        config(theirs[0], None)  # a key where a certificate belongs
        assert send(peers, "check", "--to", "store") == 2
        assert "ca_file of peer 'store' can't be used" in told(capsys)
        peers.write_text(plain)
        assert send(peers, "check", "--to", "store") == 2
        assert "no greeting (perhaps it expects TLS)" in told(capsys)
    finally:
        store.end()


# pynetdicom leaves the socket of a greeting without answer to the garbage collector.
@pytest.mark.filterwarnings("ignore:unclosed <socket:ResourceWarning")
def test_a_stranger_on_the_port_is_no_peer(network: None, peers: Path, capsys: Capture) -> None:
    with socket.create_server(("127.0.0.1", 11112)) as mute:  # listens, says nothing
        peers.write_text(peers.read_text().replace("timeout_s = 5", "timeout_s = 0.5"))
        assert send(peers, "check", "--to", "store") == 2
        assert mute
        gc.collect()
    assert "gives no greeting" in told(capsys)


@pytest.mark.parametrize("mark", ["quality.json", "export.json", "notes.txt"])
def test_what_was_delivered_stands_in_the_audit_log(
    dcmtk: None, peers: Path, tmp_path: Path, capsys: Capture, mark: str
) -> None:
    path = write_file(tmp_path / "result" / "strip.dcm", "W-1")
    (tmp_path / "result" / mark).write_text("{}")
    before = sorted(path.parent.iterdir())
    store = storescp(tmp_path / "store", 11112)
    store.start()
    blocked = tmp_path / "audit-log"
    blocked.write_text("in the way")
    try:
        assert send(peers, "add", path, "--to", "store") == 0
        assert send(peers, "run") == 0
        assert "the audit log doesn't know of it" in told(capsys)
        blocked.unlink()
        assert send(peers, "run") == 0
        assert send(peers, "run") == 0
    finally:
        store.end()
    assert sorted(path.parent.iterdir()) == before
    (record,) = read_audit_log(log_folder(tmp_path, "W-1"))
    assert (record.action, record.details["peer"]) == ("send", "store")
    assert record.identities == {"strip.dcm": hashlib.sha256(path.read_bytes()).hexdigest()}


def test_only_peers_of_the_config(peers: Path, tmp_path: Path, capsys: Capture) -> None:
    write_welds(tmp_path / "files", 1)
    assert send(peers, "add", tmp_path / "files", "--to", "127.0.0.1") == 2
    message = told(capsys)
    assert "there is no peer '127.0.0.1'" in message
    assert "expected 'orthanc' or 'store'" in message


def test_a_peer_that_hangs_up_when_asked_for_commitment_has_the_files_all_the_same(
    orthanc_program: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    """Orthanc as it is installed: no peers are entered in its list."""
    write_welds(tmp_path / "files", 3)
    orthanc = Orthanc(tmp_path / "orthanc", more={"DicomModalities": {}})
    orthanc.start()
    try:
        assert send(peers, "add", tmp_path / "files", "--to", "orthanc") == 0
        assert send(peers, "run") == 0
        message = told(capsys)
        assert send(peers, "run") == 0
        assert orthanc.arrivals() == 3
    finally:
        orthanc.end()
    assert "W-0001 to orthanc: 1 of 1 delivered, 1 with no answer whether" in message
    assert 'commitment = "never"' in message
    record = status(peers, capsys)["W-0001"]
    assert (record["state"], record["commitment"]) == ("delivered", "no answer")


def test_a_peer_that_takes_no_compressed_image_gets_it_plain(
    dcmtk: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    """storescp takes no compressed images (+xe); both files are one image under one UID."""
    plain = write_file(tmp_path / "plain.dcm", "W-1")
    image = pydicom.dcmread(plain)
    image.compress(pydicom.uid.RLELossless, generate_instance_uid=False)
    pydicom.dcmwrite(tmp_path / "packed.dcm", image)
    store = storescp(tmp_path / "store", 11112, "+xe")
    store.start()
    try:
        assert send(peers, "add", tmp_path / "packed.dcm", "--to", "store") == 0
        assert send(peers, "run") == 3
        assert "girthstrip export --compress none" in told(capsys)
        assert send(peers, "add", plain, "--to", "store") == 0
        assert "in place of what hadn't arrived" in told(capsys)
        assert send(peers, "run") == 0
        assert send(peers, "add", tmp_path / "packed.dcm", "--to", "store") == 0
        assert "the same image with its pixels packed otherwise" in told(capsys)
        assert send(peers, "run") == 0
    finally:
        store.end()
    assert len(list((tmp_path / "store" / "arrived").iterdir())) == 1


def test_a_file_that_changed_or_went_is_taken_anew_or_dropped(
    dcmtk: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    changed, gone = write_welds(tmp_path / "files", 2)
    store = storescp(tmp_path / "store", 11112)
    store.start()
    try:
        assert send(peers, "add", tmp_path / "files", "--to", "store") == 0
        image = pydicom.dcmread(changed)
        image.ImageComments = "put in later"
        pydicom.dcmwrite(changed, image)
        gone.unlink()
        assert send(peers, "run") == 3
        assert "girthstrip send drop WELD --to PEER" in told(capsys)
        assert send(peers, "again", "W-0000", "--to", "store") == 0
        assert send(peers, "again", "W-0001", "--to", "store") == 2
        assert f"{gone}: is gone" in told(capsys)
        assert send(peers, "drop", "W-0001", "--to", "store") == 0
        assert send(peers, "run") == 0
        assert send(peers, "drop", "W-0000", "--to", "store") == 2
        assert "delivered" in told(capsys)
    finally:
        store.end()
    records = status(peers, capsys)
    assert (records["W-0000"]["state"], records["W-0001"]["state"]) == ("delivered", "dropped")
    (arrived,) = (tmp_path / "store" / "arrived").iterdir()
    assert pydicom.dcmread(arrived).ImageComments == "put in later"


def test_all_bad_files_are_named_and_the_good_ones_queued(
    peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    write_welds(tmp_path / "files", 1)
    for name in ("one.dcm", "two.dcm"):
        (tmp_path / "files" / name).write_text("no picture")
    assert send(peers, "add", tmp_path / "files", "--to", "store") == 2
    got = capsys.readouterr()
    assert "1 queued for store" in got.out
    assert "2 of 3 files were not queued" in got.err
    assert got.err.count("is no DICOM file") == 2


def test_a_wait_for_a_dead_peer_is_told(
    network: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    peers.write_text(peers.read_text().replace("give_up_s = 15", "give_up_s = 0.15"))
    write_welds(tmp_path / "files", 1)
    assert send(peers, "add", tmp_path / "files", "--to", "store") == 0
    capsys.readouterr()
    assert send(peers, "run") == 3
    err = capsys.readouterr().err
    assert "is down or can't be reached (Connection refused); next try in 0 s, given up" in err


def test_one_peer_in_single_brackets_is_explained(peers: Path, capsys: Capture) -> None:
    peers.write_text(peers.read_text().replace("[[peer]]", "[peer]", 1).partition("[[peer]]")[0])
    assert send(peers, "status") == 2
    assert "write [[peer]]" in told(capsys)


def test_a_peer_that_hangs_up_on_every_question_gets_a_doubtful_file_again(
    network: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    """A peer by pynetdicom without C-FIND hangs up at its first file, and when asked."""
    came: list[str] = []

    def store(event: evt.Event) -> int:
        came.append(str(event.request.AffectedSOPInstanceUID))
        if len(came) == 1:
            event.assoc.abort()
        return 0x0000

    def hang_up(event: evt.Event) -> tuple[int, None]:
        event.assoc.abort()
        return 0x0110, None

    entity = AE(ae_title="STORE")
    for service in (Verification, DX_FOR_PROCESSING, StorageCommitmentPushModel):
        entity.add_supported_context(service)
    handlers = [(evt.EVT_C_STORE, store), (evt.EVT_N_ACTION, hang_up)]
    peers.write_text(peers.read_text().replace("give_up_s = 15", "give_up_s = 5"))
    write_file(tmp_path / "W-1.dcm", "W-1")
    server = entity.start_server(("127.0.0.1", 11112), block=False, evt_handlers=handlers)
    try:
        assert send(peers, "add", tmp_path / "W-1.dcm", "--to", "store") == 0
        assert send(peers, "run") == 0
    finally:
        server.shutdown()
    record = status(peers, capsys)["W-1"]
    assert (record["state"], record["sent_times"]) == ("delivered", 2)
    assert record["commitment"] == "no answer"


def test_a_peer_that_is_away_for_the_question_only_leaves_the_files_delivered(
    dcmtk: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    text = peers.read_text().replace("give_up_s = 15", "give_up_s = 0.2")
    peers.write_text(text + '\ncommitment = "never"\n')
    write_file(tmp_path / "W-1.dcm", "W-1")
    store = storescp(tmp_path / "store", 11112)
    store.start()
    try:
        assert send(peers, "add", tmp_path / "W-1.dcm", "--to", "store") == 0
        assert send(peers, "run") == 0
    finally:
        store.end()
    peers.write_text(text)
    assert send(peers, "run") == 0
    assert status(peers, capsys)["W-1"]["commitment"] == "no answer"
    peers.write_text(text.replace("give_up_s = 0.2", "give_up_s = 600"))
    assert send(peers, "run") == 0  # asked once more, not for ten minutes
    assert "waiting" not in capsys.readouterr().err
