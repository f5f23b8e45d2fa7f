"""Run every guided notebook from a fresh kernel and save it with its results: python notebooks/run_all.py."""

from __future__ import annotations

import sys
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from tqdm import tqdm

HERE = Path(__file__).resolve().parent
TIMEOUT_S = 300


def run(path: Path) -> None:
    """Run one notebook and save it in place, the same to the byte where nothing changed but widget names."""
    notebook = nbformat.read(path, as_version=4)
    NotebookClient(
        notebook, timeout=TIMEOUT_S, store_widget_state=False, resources={"metadata": {"path": str(HERE)}}
    ).execute()
    notebook.metadata = {
        "kernelspec": {"display_name": "Python 3 (ipykernel)", "language": "python", "name": "python3"},
        "language_info": {"name": "python"},
    }
    for i, cell in enumerate(notebook.cells):
        cell["id"] = f"cell-{i:02d}"
        cell.metadata = {"tags": cell.metadata["tags"]} if cell.metadata.get("tags") else {}
        if cell.cell_type == "code":
            cell.metadata = {**cell.metadata, "jupyter": {"source_hidden": True}}
    nbformat.write(notebook, path)


if __name__ == "__main__":
    chosen = [HERE / name for name in sys.argv[1:]] or sorted(HERE.glob("*.ipynb"))
    for notebook_path in tqdm(chosen, unit="notebook"):
        run(notebook_path)
