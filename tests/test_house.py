"""House rules: what imports what, how long things are, what words stand where."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

HOUSE = Path(__file__).parent.parent
ROOMS = ("job", "survey", "fairing", "drawing", "bench", "show")
MODULES = sorted((HOUSE / "loft").rglob("*.py"))
NAMES = [str(path.relative_to(HOUSE)) for path in MODULES]
HEAVY = ["numpy", "scipy", "trimesh", "pyvista", "vtk", "open3d", "shapely", "ezdxf", "reportlab"]


def imports(tree: ast.AST) -> set[str]:
    """Return every loft module that is imported anywhere in a module, as dotted names."""
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "absolute imports only"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return {name for name in names if name.split(".")[0] == "loft"}


def room_of(dotted: str) -> int:
    """Return the rank of the room of a dotted name; the front door ranks last."""
    parts = dotted.split(".")
    return ROOMS.index(parts[1]) if len(parts) > 1 and parts[1] in ROOMS else len(ROOMS)


def faults_of_imports(dotted: str, source: str) -> list[str]:
    return [
        f"{dotted} imports {name}"
        for name in sorted(imports(ast.parse(source)))
        if room_of(dotted) < room_of(name)
    ]


def long_functions(source: str) -> list[str]:
    return [
        f"{node.name} has {node.end_lineno - node.lineno + 1} lines"
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and node.end_lineno - node.lineno + 1 - docstring_lines(node) > 60
    ]


def docstring_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Return how many lines of a function are its docstring: they are not code."""
    first = node.body[0]
    spoken = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant)
    return first.end_lineno - first.lineno + 1 if spoken else 0


def silent(source: str) -> list[str]:
    """Return the public functions, classes and methods without a docstring."""
    found = []
    for node in [
        n for n in ast.parse(source).body if isinstance(n, ast.ClassDef | ast.FunctionDef)
    ]:
        inside = node.body if isinstance(node, ast.ClassDef) else []
        if node.name.startswith("_"):
            continue
        for item in [node, *[n for n in inside if isinstance(n, ast.FunctionDef)]]:
            if not item.name.startswith("_") and not ast.get_docstring(item):
                found.append(item.name)
    return found


@pytest.mark.parametrize("path", MODULES, ids=NAMES)
def test_a_room_imports_only_from_rooms_above_it(path):
    dotted = ".".join(path.relative_to(HOUSE).with_suffix("").parts)
    assert not faults_of_imports(dotted, path.read_text())


@pytest.mark.parametrize("path", MODULES, ids=NAMES)
def test_modules_and_functions_are_short_and_explained(path):
    source = path.read_text()
    assert len(source.splitlines()) <= 500
    assert not long_functions(source)
    assert not silent(source)
    assert ast.get_docstring(ast.parse(source))


def test_the_rules_above_see_a_fault():
    """Each rule is shown one offender, so that none can pass by seeing nothing."""
    assert faults_of_imports("loft.job.x", "from loft.bench import block")
    assert faults_of_imports("loft.survey.x", "def f():\n    import loft.show.page")
    assert faults_of_imports("loft.survey.x", "from loft import demo")
    assert not faults_of_imports("loft.bench.x", "from loft.job.units import length")
    assert long_functions("def f():\n" + "    x = 1\n" * 60)
    assert silent("class A:\n    '''Say.'''\n    def f(self):\n        pass") == ["f"]


COMMAND_LINE = HOUSE / "loft" / "cli.py"


@pytest.mark.skipif(not COMMAND_LINE.exists(), reason="there is no command line yet")
def test_help_loads_nothing_heavy():
    """Not even numpy: `loft --help` must answer at once on a slow disk."""
    code = (
        "import sys, loft.cli as c\n"
        "try:\n    c.main(['--help'])\nexcept SystemExit as end:\n    assert not end.code\n"
        f"heavy = sorted(set(sys.modules) & set({HEAVY!r}))\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    run = subprocess.run([sys.executable, "-c", code], cwd=HOUSE, capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    assert "Usage" in run.stdout


# ---- what stands in the committed files ------------------------------------------------

BINARY = {
    *(".png", ".jpg", ".pdf", ".stl", ".3mf", ".npz", ".npy"),
    *(".e57", ".las", ".laz", ".ply", ".pcd"),
}
BANNED = {
    "a path of one machine": re.compile(r"(?<![\w.])/(?:home|work|root|Users|tmp)/\w"),
    "a package registry's host": re.compile(
        r"(?:pypi\.|files\.pythonhosted\.|registry\.npmjs\.|deb\.debian\.|conda\.)(?:org|com)\b"
    ),
    "a host of this workplace": re.compile(r"localhost|127\.0\.0\.1|\.internal\b"),
}


def committed() -> list[Path]:
    run = subprocess.run(["git", "ls-files", "-z"], cwd=HOUSE, capture_output=True, text=True)
    if run.returncode:
        pytest.skip("not a git checkout")
    return [HOUSE / name for name in run.stdout.split("\0") if name]


def banned_words(text: str) -> list[str]:
    return [
        f"{what}: {hit.group()}" for what, rule in BANNED.items() for hit in rule.finditer(text)
    ]


def test_no_machine_or_registry_is_named():
    faults = []
    for path in committed():
        if path.suffix in BINARY or path.resolve() == Path(__file__).resolve() or not path.exists():
            continue
        faults += [
            f"{path.relative_to(HOUSE)}: {found}" for found in banned_words(path.read_text())
        ]
    assert not faults
    assert banned_words("see /home/somebody") and banned_words("https://pypi.org")  # noqa: PT018
