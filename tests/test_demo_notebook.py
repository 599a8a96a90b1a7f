"""The notebook: stripped in the repository, and it runs."""

import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "demo").glob("*.ipynb"))
RUN = """
import sys, nbclient, nbformat
notebook = nbformat.read(sys.argv[1], 4)
for cell in notebook.cells:
    cell.source = cell.source.replace("DAYS = 7", "DAYS = 2")
nbclient.NotebookClient(notebook, timeout=120, resources={"metadata": {"path": "."}}).execute()
nbformat.write(notebook, sys.argv[2])
"""


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebooks_are_stripped_and_small(path: Path) -> None:
    notebook = nbformat.read(path, 4)
    nbformat.validate(notebook)
    assert path.stat().st_size < 30_000
    for cell in notebook.cells:
        assert not cell.get("outputs")
        assert cell.get("execution_count") is None


def test_the_week_runs_and_shows_pictures(tmp_path: Path) -> None:
    """Two days of it; `.ci/run` runs the whole week."""
    (path,) = NOTEBOOKS
    done = tmp_path / "done.ipynb"
    run = subprocess.run([sys.executable, "-c", RUN, str(path), str(done)], cwd=ROOT, capture_output=True, text=True)
    assert run.returncode == 0, run.stderr[-2000:]
    notebook = nbformat.read(done, 4)
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    assert not [output for output in outputs if output.get("name") == "stderr"]
    assert sum("image/png" in output.get("data", {}) for output in outputs) >= 8
    told = "".join(output.get("text", "") for output in outputs)
    assert "events in 2 days" in told
    assert "somebody in the kitchen: 0." in told
