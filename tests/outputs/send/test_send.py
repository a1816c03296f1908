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

from pipeline.cli import run
from pipeline.io.audit_log import log_folder, read_audit_log
from tests.outputs.send.dicom_files import write_file, write_welds
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


def test_what_was_delivered_stands_in_the_audit_log(
    dcmtk: None, peers: Path, tmp_path: Path, capsys: Capture
) -> None:
    path = write_file(tmp_path / "result" / "strip.dcm", "W-1")
    (tmp_path / "result" / "quality.json").write_text("{}")
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
    (record,) = read_audit_log(log_folder(tmp_path, "W-1"))
    assert (record.action, record.details["peer"]) == ("send", "store")
    assert record.identities == {"strip.dcm": hashlib.sha256(path.read_bytes()).hexdigest()}


def test_only_peers_of_the_config(peers: Path, tmp_path: Path, capsys: Capture) -> None:
    write_welds(tmp_path / "files", 1)
    assert send(peers, "add", tmp_path / "files", "--to", "127.0.0.1") == 2
    message = told(capsys)
    assert "there is no peer '127.0.0.1'" in message
    assert "expected 'orthanc' or 'store'" in message
