"""The house as DEVELOPERS.md describes it: layers, sizes, public names, and what start-up may import."""

import ast
import re
import subprocess
import sys
from fnmatch import fnmatch
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import presence

PACKAGE = Path(presence.__file__).parent
LAYERS = [
    {"errors", "display", "times", "turns", "undone"},
    {"habits", "permitted", "movement_settings"},
    {"many"},
    {
        "reading",
        "parquet",
        "rows",
        "leaps",
        "writing",
        "settings",
        "markov",
        "recent",
        "rational",
        "propagation",
        "absorbing",
        "dissection",
        "first_passage",
        "candidates",
        "moves",
        "divergence",
        "merging",
        "hypotheses",
        "witness",
        "resting",
    },
    {"tape", "joint", "reversal", "paths"},
    {"floorplan", "events", "truth", "holds", "homes"},
    {"places", "zones", "leaning", "movement", "views", "company", "locks", "remote", "sensing", "learned"},
    {"conditions", "at_rest", "world", "model"},
    {"experience", "passages", "snapshot", "sides", "unprompted", "lingering", "doorways"},
    {"engine", "carried", "closings", "doors", "staying_on", "seats", "inference", "retaken", "lost_openings"},
    {"wording", "record", "recorder"},
    {"retrace", "stories", "telling", "explain", "health", "kept", "tracker"},
    {"explained", "occupancy", "replay", "smoothing", "metrics"},
    {"direction", "samples", "stretches", "switching", "whereabouts", "simulate", "evaluate", "report"},
    {"batch", "advise", "advice_text", "draw"},
    {"demo", "cli_many", "learn", "cli_source", "cli_options"},
    {"cli_advise", "cli_draw", "cli_health", "cli_learn", "cli_smooth"},
    {"cli"},
    {"__main__"},
]
MODULES = sorted(PACKAGE.rglob("*.py"))
BENCHMARKS = sorted((Path(__file__).parents[1] / "benchmarks").rglob("*.py"))


def name_of(path: Path) -> str:
    """Module name below the package: `cli`, `draw.plan`; the package itself is `__init__`."""
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts)


def layer_of(module: str) -> int:
    """Index of a module's layer, by its own name or its sub-package's."""
    family = module.split(".")[0]
    found = [i for i, layer in enumerate(LAYERS) if family in layer]
    assert found, f"presence/{module}.py is in no layer; give it one in {__file__} and in DEVELOPERS.md"
    return found[0]


def imports_of(path: Path) -> set[str]:
    """The package's own modules that a module imports anywhere, but for type checking alone."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            node.body = []
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            names = [str(node.module), *(f"{node.module}.{alias.name}" for alias in node.names)]
        else:
            continue
        inside = {n.removeprefix("presence.") for n in names if n.startswith("presence.")}
        found |= {n for n in inside if any(name_of(p) in (n, f"{n}.__init__") for p in MODULES)}
    return found


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_imports_go_down(path: Path) -> None:
    module = name_of(path)
    if module == "__init__":  # the list of public names, imported when used
        assert not imports_of(path)
        return
    above = {other for other in imports_of(path) if layer_of(other) > layer_of(module)}
    assert not above, f"{module} imports from above: {sorted(above)}"


def test_the_table_of_the_house_names_every_module_and_no_other() -> None:
    text = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
    cells = [line.split("|")[1] for line in text.splitlines() if line.startswith("| `")]
    told = {name for cell in cells for name in re.findall(r"`([a-z_*]+/?)`", cell)}
    there = {name_of(path) for path in MODULES if path.parent == PACKAGE} - {"__init__", "__main__"}
    there |= {f"{path.name}/" for path in PACKAGE.iterdir() if (path / "__init__.py").exists()}
    assert not {name for name in there if not any(fnmatch(name, pattern) for pattern in told)}
    assert not {pattern for pattern in told if not any(fnmatch(name, pattern) for name in there)}


def test_no_import_cycles() -> None:
    graph = {name_of(path): imports_of(path) - {name_of(path)} for path in MODULES}
    order = list(TopologicalSorter(graph).static_order())  # raises CycleError, naming the cycle
    assert set(graph) <= set(order)


@pytest.mark.parametrize("path", [*MODULES, *BENCHMARKS], ids=lambda path: "/".join(path.parts[-2:]))
def test_modules_and_functions_are_short(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 300
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            lines = 1 + int(node.end_lineno or 0) - node.lineno - docstring_lines(node)
            assert lines <= 40, f"{path}:{node.lineno}: {node.name} has {lines} lines"


def docstring_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function's docstring: documentation is not length."""
    first = node.body[0]
    if ast.get_docstring(node) is None:
        return 0
    return 1 + int(first.end_lineno or 0) - first.lineno


def test_public_names_are_sorted_and_there() -> None:
    assert presence.__all__ == sorted(presence.__all__)
    assert set(presence.__all__) >= {"Belief", "Event", "Floorplan", "Passage", "Tracker"}
    for name in presence.__all__:
        assert getattr(presence, name).__name__ == name
    with pytest.raises(AttributeError, match="nonsense"):
        presence.nonsense  # noqa: B018


HEAVY = {
    "torch",
    "pomegranate",
    "networkx",
    "pydantic",
    "scipy",
    "sklearn",
    "yaml",
    "click",
    "matplotlib",
    "pyarrow",
    "distributed",
    "dask",
}


@pytest.mark.parametrize("statement", ["import presence", "from presence import Event, Floorplan, Tracker"])
def test_start_up_is_light(statement: str) -> None:
    code = f"{statement}\nimport sys\nprint(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not HEAVY & set(done.stdout.split())


def test_core_never_imports_fitting_or_oracle_libraries() -> None:
    for path in MODULES:
        if name_of(path).split(".")[0] == "learn":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [str(node.module)] if isinstance(node, ast.ImportFrom) else []
            tops = {n.split(".")[0] for n in names}
            assert not tops & {"torch", "pomegranate", "scipy", "sklearn", "hmmlearn"}, f"{path}: {tops}"
