"""The notebooks run from top to bottom and are stored without output."""

import json
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

FOLDER = Path(__file__).parent.parent / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


def test_there_are_four_notebooks():
    assert [path.stem for path in NOTEBOOKS] == [
        "01-first-look",
        "02-maps-and-limits",
        "03-period-argument",
        "04-batch",
    ]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_is_stored_without_output(path):
    notebook = json.loads(path.read_text(encoding="utf-8"))
    nbformat.validate(nbformat.from_dict(notebook))
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []
            assert cell["execution_count"] is None
        assert cell["metadata"] == {}
    assert set(notebook["metadata"]) == {"kernelspec", "language_info"}


@pytest.mark.slow
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs_from_top_to_bottom(path, tmp_path, monkeypatch):
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path))  # no settings of the user, no history
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(
        notebook, timeout=600, kernel_name="python3", resources={"metadata": {"path": str(FOLDER)}}
    )
    client.execute()
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    assert [output for output in outputs if output.output_type == "error"] == []
    said = "".join(output.text for output in outputs if output.get("name") == "stderr")
    assert "Warning" not in said
