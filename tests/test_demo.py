"""The demo: a folder with everything in it, or none at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline import demo
from pipeline.errors import OutputError


@pytest.mark.parametrize(
    "moment", ["write_scan", "load_calibrate_config", "run_calibrate", "run_weld"]
)
@pytest.mark.parametrize("error", [KeyboardInterrupt, OSError(28, "No space left on device")])
def test_a_demo_that_is_stopped_leaves_no_folder(
    moment: str,
    error: BaseException | type[BaseException],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whatever was finished before the moment is taken away too."""

    def finished(*arguments: object, **_: object) -> None:
        for path in arguments:
            if isinstance(path, Path) and not path.suffix:
                path.mkdir()

    def stopped(*_: object, **__: object) -> None:
        raise error

    for name in ("write_scan", "load_calibrate_config", "run_calibrate", "load_weld_config"):
        monkeypatch.setattr(demo, name, finished)
    monkeypatch.setattr(demo, moment, stopped)
    with pytest.raises(type(error) if isinstance(error, OSError) else error):
        demo.run_demo(tmp_path / "a" / "demo")
    assert list((tmp_path / "a").iterdir()) == []


def test_a_folder_that_is_there_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").touch()
    with pytest.raises(OutputError, match="already exists"):
        demo.run_demo(tmp_path)
    assert (tmp_path / "notes.txt").exists()


def test_the_next_demo_takes_the_next_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    names = []
    for _ in range(3):
        folder = demo.free_folder()
        names.append(folder.name)
        folder.mkdir()
    assert names == ["girthstrip-demo", "girthstrip-demo-2", "girthstrip-demo-3"]
