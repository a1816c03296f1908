"""How the parts fit: the layers of DEVELOPERS.md, held over the syntax trees of ``pipeline/``."""

from __future__ import annotations

import ast
import re
import subprocess
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PIPELINE = ROOT / "pipeline"

LAYERS = (
    "errors",
    "model",
    "geometry",
    "kernels",
    "calibration",
    "prefetch",
    "stages",
    "quality",
    "config",
    "io",
    "plan",
    "choose",
    "dry_run",
    "asked",
    "exposure_plan",
    "measure",
    "noted",
    "record",
    "provenance",
    "calibrate",
    "run",
    "simulation",
    "outputs",
    "assess",
    "release",
    "batch",
    "terminal",
    "review",
    "demo",
    "commands",
    "cli",
)
"""From top to bottom: each imports only from itself and from those above it."""

PURE = ("errors", "model", "geometry", "kernels", "calibration", "stages", "quality")
"""Layers that compute: arrays and records in, arrays and records out, no files, no commands."""

_FILE_MODULES = {
    *("os", "io", "sys", "pathlib", "shutil", "tempfile", "glob", "mmap", "fcntl", "socket"),
    *("subprocess", "logging", "csv", "tomllib", "zipfile", "tifffile", "imagecodecs", "pydicom"),
}
_FILE_CALLS = {
    *("open", "imread", "imwrite", "fromfile", "tofile", "memmap", "loadtxt", "savetxt"),
    *("read_text", "write_text", "read_bytes", "write_bytes"),
}

TOP_LEVEL = {
    *(".ci", ".gitignore", "DEVELOPERS.md", "README.md", "pyproject.toml"),
    *("configs", "pipeline", "testdata", "tests"),
}

FILES = sorted(PIPELINE.rglob("*.py"))
TREES = {path: ast.parse(path.read_text(encoding="utf-8"), str(path)) for path in FILES}


def module_name(path: Path) -> str:
    """``pipeline/io/strip.py`` → ``io.strip``; a package by its own name, the whole by ""."""
    parts = path.relative_to(PIPELINE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_name(path): path for path in FILES}


def shown(path: Path, node: ast.AST) -> str:
    return f"{path.relative_to(ROOT)}:{getattr(node, 'lineno', 0)}"


def runtime_nodes(tree: ast.AST, *, inside_functions: bool) -> Iterator[ast.AST]:
    """All nodes but those that only the type checker sees."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            continue
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and not inside_functions:
            continue
        yield node
        yield from runtime_nodes(node, inside_functions=inside_functions)


def imported(node: ast.AST) -> Iterator[str]:
    """Every module that an import statement names, ``from a import b`` as ``a`` and ``a.b``."""
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        assert node.level == 0, "imports are absolute here"
        assert node.module is not None
        yield node.module
        yield from (f"{node.module}.{alias.name}" for alias in node.names)


def own_imports(path: Path, *, inside_functions: bool) -> Iterator[tuple[ast.AST, str]]:
    """The modules of ``pipeline`` that a file imports, as ``module_name`` has them."""
    for node in runtime_nodes(TREES[path], inside_functions=inside_functions):
        for name in imported(node):
            if name == "pipeline" or name.startswith("pipeline."):
                short = name.removeprefix("pipeline").removeprefix(".")
                if short in MODULES:
                    yield node, short


def layer(name: str) -> str:
    return name.split(".", maxsplit=1)[0]


def test_every_part_has_its_place_among_the_layers() -> None:
    assert {layer(name) for name in MODULES} - {""} == set(LAYERS)


def test_imports_point_up_the_layers_only() -> None:
    """Imports within functions count too; the package itself (its version) is above all."""
    wrong = [
        f"{shown(path, node)}: {name} imports {target}"
        for name, path in MODULES.items()
        for node, target in own_imports(path, inside_functions=True)
        if target and (not name or LAYERS.index(layer(target)) > LAYERS.index(layer(name)))
    ]
    assert wrong == []


def test_no_module_imports_itself_by_a_detour() -> None:
    """To import a module is to import the packages that it is in, so they count too; only its own
    don't: a package may gather its modules."""
    graph: dict[str, set[str]] = {}
    for name, path in MODULES.items():
        targets = {target for _, target in own_imports(path, inside_functions=False)}
        packages = {target.rpartition(".")[0] for target in targets} & MODULES.keys()
        mine = {name, *(name[: dot.start()] for dot in re.finditer(r"\.", name)), ""}
        graph[name] = (targets | packages) - mine
    order = list(TopologicalSorter(graph).static_order())  # raises CycleError, naming the cycle
    assert set(order) == set(MODULES)


@pytest.mark.parametrize("part", PURE)
def test_what_computes_touches_no_files(part: str) -> None:
    wrong = []
    for path in FILES:
        if layer(module_name(path)) != part:
            continue
        for node in ast.walk(TREES[path]):
            wrong += [
                f"{shown(path, node)}: imports {name}"
                for name in imported(node)
                if name.split(".")[0] in _FILE_MODULES
            ]
            if isinstance(node, ast.Call):
                called = node.func
                name = called.attr if isinstance(called, ast.Attribute) else None
                name = called.id if isinstance(called, ast.Name) else name
                if name in _FILE_CALLS:
                    wrong.append(f"{shown(path, node)}: calls {name}")
    assert wrong == []


def public_definitions(tree: ast.Module) -> Iterator[ast.ClassDef | ast.FunctionDef]:
    """Functions and classes of a module, and the methods of its classes, that others may use."""
    for node in tree.body:
        if isinstance(node, ast.ClassDef | ast.FunctionDef) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from (
                    method
                    for method in node.body
                    if isinstance(method, ast.FunctionDef) and not method.name.startswith("_")
                )


def test_what_others_use_says_what_it_gives() -> None:
    silent = [str(path.relative_to(ROOT)) for path in FILES if not ast.get_docstring(TREES[path])]
    silent += [
        f"{shown(path, node)}: {node.name}"
        for path in FILES
        for node in public_definitions(TREES[path])
        if not ast.get_docstring(node)
    ]
    assert silent == []


def test_files_answer_one_question() -> None:
    """Over 400 lines a file surely answers two."""
    long = {
        str(path.relative_to(ROOT)): lines
        for path in FILES
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) > 400
    }
    assert long == {}


def test_every_folder_of_tests_is_a_package() -> None:
    folders = {path.parent for path in (ROOT / "tests").rglob("*.py")}
    assert [str(folder) for folder in folders if not (folder / "__init__.py").is_file()] == []


def test_the_top_level_holds_what_it_should_and_nothing_else() -> None:
    missing = {name for name in TOP_LEVEL if not (ROOT / name).exists()}
    assert missing == set()
    if not (ROOT / ".git").exists():
        pytest.skip("no git work tree: what is ours and what was only put here can't be told")
    listed = subprocess.run(
        ["git", "-c", f"safe.directory={ROOT}", "ls-files", "-z"],
        cwd=ROOT,
        capture_output=True,
        check=True,
        text=True,
    )
    tracked = {Path(name).parts[0] for name in listed.stdout.split("\0") if name}
    assert tracked - TOP_LEVEL == set()
