"""The config of peers: every fault at once, each with its line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline.config.peers import Peer, Retry, Sender, Tls, load_peers
from pipeline.errors import ConfigError

GOOD = """\
[sender]
queue = "out"

[[peer]]
name = "office"
host = "192.0.2.10"
port = 11112
ae_title = "ARCHIVE"
"""


def test_a_sound_file(tmp_path: Path) -> None:
    path = tmp_path / "peers.toml"
    path.write_text(GOOD)
    job = load_peers(path)
    assert job.sender.queue == tmp_path / "out"
    assert job.ae_title_for(job.peer[0]) == "GIRTHSTRIP"
    path.write_text(GOOD + 'own_ae_title = "FIELD 1"\n')
    job = load_peers(path)
    assert job.ae_title_for(job.peer[0]) == "FIELD 1"


def test_the_ready_config_says_the_defaults() -> None:
    """Uncommented too, as a user would do it."""
    ready = Path(__file__).parents[2] / "configs" / "peers.toml"
    job = load_peers(ready)
    plain = Peer(name="office", host="192.0.2.10", port=11112, ae_title="ARCHIVE")
    assert job.peer == (plain,)
    assert (job.retry, job.sender.ae_title) == (Retry(), Sender().ae_title)
    assert job.sender.queue == ready.parent / Sender().queue


def test_every_key_of_the_ready_config_is_one(tmp_path: Path) -> None:
    ready = Path(__file__).parents[2] / "configs" / "peers.toml"
    path = tmp_path / "peers.toml"
    text = re.sub(r"^# (?=\w+ = |\[)", "", ready.read_text(), flags=re.MULTILINE)
    path.write_text(text)
    (peer,) = load_peers(path).peer
    assert peer.tls is not None
    assert {*peer.model_fields_set} == {*Peer.model_fields}
    assert {*peer.tls.model_fields_set} == {*Tls.model_fields}


def test_every_fault_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "peers.toml"
    path.write_text(
        GOOD
        + """
[[peer]]
name = "office"
host = "http://192.0.2.11"
port = 70000
ae_title = "A TITLE THAT IS TOO LONG"
ae = 1
"""
    )
    with pytest.raises(ConfigError) as caught:
        load_peers(path)
    message = str(caught.value)
    for line, what in (
        (12, "must be a host's name or address alone"),
        (13, "must lie in [1, 65535]"),
        (14, "must be an AE title"),
        (15, "there is no such key"),
    ):
        assert any(f":{line}: " in one and what in one for one in message.splitlines()), what


@pytest.mark.parametrize(
    ("added", "line", "what"),
    [
        ('\n[[peer]]\nname = "office"\nhost = "h"\nport = 1\nae_title = "A"\n', 11, "peer[0] too"),
        ('[peer.tls]\nca_file = "a.pem"\nkey_file = "k.pem"\n', 11, "together"),
        ("\n[retry]\nfirst_s = 9\nlongest_s = 3\n", 12, "at least first_s = 9"),
    ],
)
def test_rules_between_keys(tmp_path: Path, added: str, line: int, what: str) -> None:
    path = tmp_path / "peers.toml"
    path.write_text(GOOD + added)
    with pytest.raises(ConfigError) as caught:
        load_peers(path)
    assert f"peers.toml:{line}: " in str(caught.value)
    assert what in str(caught.value)


def test_no_peer_at_all(tmp_path: Path) -> None:
    path = tmp_path / "peers.toml"
    path.write_text("")
    with pytest.raises(ConfigError, match=r"\[\[peer\]\] is missing"):
        load_peers(path)
