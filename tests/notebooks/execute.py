"""Run text notebooks as notebooks, in kernels of their own; by hand, also draw their pictures for reading.

``python -m tests.notebooks.execute NOTEBOOK.py OUT.ipynb`` runs one.
``python -m tests.notebooks.execute --pictures`` runs all and writes the charts to ``notebooks/pictures``.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

import jupytext
import nbformat
from jupyter_client.manager import AsyncKernelManager
from nbclient import NotebookClient

NOTEBOOKS = Path(__file__).resolve().parents[2] / "notebooks"


def execute(source: Path) -> Any:
    """Run one notebook in a kernel of this very interpreter; raise on the first cell that fails."""
    notebook = jupytext.read(source)
    with tempfile.TemporaryDirectory(prefix="bo") as short:  # sockets' paths must be short
        kernel = AsyncKernelManager(
            kernel_name="python3", transport="ipc", connection_file=f"{short}/k.json", ip=f"{short}/k"
        )
        spec = kernel.kernel_spec
        assert spec is not None
        spec.argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
        client = NotebookClient(notebook, km=kernel, timeout=900, resources={"metadata": {"path": str(source.parent)}})
        client.owns_km = True  # so that the kernel ends with the run
        client.execute()
    return notebook


def pictures(notebook: Any) -> list[str]:
    """Return the charts that a run notebook shows, as SVG."""
    outputs = [o for cell in notebook.cells for o in cell.get("outputs", []) if "data" in o]
    return [o["data"]["image/svg+xml"] for o in outputs if "image/svg+xml" in o["data"]]


def draw_all() -> None:
    """Write every notebook's charts to ``notebooks/pictures``."""
    folder = NOTEBOOKS / "pictures"
    folder.mkdir(exist_ok=True)
    for old in folder.glob("*.svg"):
        old.unlink()
    for source in sorted(NOTEBOOKS.glob("*.py")):
        for i, svg in enumerate(pictures(execute(source)), start=1):
            (folder / f"{source.stem}_{i}.svg").write_text(svg, encoding="utf-8")


if __name__ == "__main__":
    if sys.argv[1:] == ["--pictures"]:
        draw_all()
    else:
        nbformat.write(execute(Path(sys.argv[1])), sys.argv[2])
