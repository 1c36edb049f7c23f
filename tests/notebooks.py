"""Make the notebooks: ``python -m tests.notebooks``.

Each ``notebooks/NAME.py`` is the source of one notebook: cells start with ``# %%``, those of
text with ``# %% [markdown]``. The command runs each in a clean kernel and writes
``notebooks/NAME.ipynb`` with what came out; an error in a cell stops it, and nothing is written.
To add a notebook, add its ``.py`` and run the command. Names after the command pick some of them.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent.parent / "notebooks"
LARGEST_BYTES = 1_000_000

_MARK = re.compile(r"^# %%( \[markdown\])?\s*$")
_PAGE = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>{title}</title>
<style>{style}</style></head><body>{body}</body></html>
"""
_STYLE = """
body { font: 15px/1.5 system-ui, sans-serif; max-width: 60em; margin: 1em auto; padding: 0 1em; }
pre { white-space: pre-wrap; font-size: 13px; }
.jp-InputArea, .jp-CodeMirrorEditor { background: color-mix(in srgb, currentColor 7%, transparent);
  padding: 1px 10px; }
.jp-InputPrompt, .jp-OutputPrompt { display: none; }
img { max-width: 100%; }
"""


def sources() -> list[Path]:
    """The sources, in the order a new user needs."""
    return sorted(FOLDER.glob("*.py"))


def cells_of(path: Path) -> list[tuple[str, str]]:
    """Kind (``"markdown"`` or ``"code"``) and text of each cell of a source."""
    cells: list[tuple[str, list[str]]] = []
    for line in path.read_text(encoding="utf-8").splitlines():
        mark = _MARK.match(line)
        if mark:
            cells.append(("markdown" if mark.group(1) else "code", []))
        elif cells:
            cells[-1][1].append(line)
        elif line.strip():
            raise ValueError(f"{path.name}: text before the first cell")
    found = []
    for kind, lines in cells:
        if kind == "markdown":
            lines = [re.sub(r"^# ?", "", line) for line in lines]
        found.append((kind, "\n".join(lines).strip()))
    return found


def notebook_of(cells: list[tuple[str, str]]) -> Any:
    """A notebook that has not been run, the same for the same cells."""
    from nbformat import v4

    made = v4.new_notebook()
    made.metadata = {
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
        "language_info": {"name": "python"},
    }
    for index, (kind, text) in enumerate(cells):
        make = v4.new_markdown_cell if kind == "markdown" else v4.new_code_cell
        cell = make(text)
        cell["id"] = f"cell-{index:02d}"
        made.cells.append(cell)
    return made


def run(notebook: Any, *, timeout_s: int = 600) -> Any:
    """Run a notebook in a clean kernel; an error in a cell is raised."""
    from nbclient import NotebookClient

    client = NotebookClient(
        notebook,
        timeout=timeout_s,
        kernel_name="python3",
        resources={"metadata": {"path": str(FOLDER)}},
        record_timing=False,
        coalesce_streams=True,
    )
    client.execute()
    for cell in notebook.cells:
        cell["metadata"] = {}
        for output in cell.get("outputs", ()):
            # A figure is stored once: as SVG, which follows light and dark.
            if "sm-figure" in "".join(output.get("data", {}).get("text/html", "")):
                output["data"].pop("image/png", None)
    notebook.metadata["language_info"] = {"name": "python"}
    return notebook


def page_of(notebook: Any, title: str) -> str:
    """A notebook as one page of HTML that needs no network and has no scripts of its own."""
    from nbconvert import HTMLExporter

    exporter = HTMLExporter(template_name="basic")
    body, _ = exporter.from_notebook_node(notebook)
    return _PAGE.format(title=title, style=_STYLE, body=body)


def write(path: Path, notebook: Any) -> int:
    """Write a notebook whole or not at all; its size in bytes."""
    text = json.dumps(notebook, indent=1, ensure_ascii=False, sort_keys=True) + "\n"
    size = len(text.encode())
    if size >= LARGEST_BYTES:
        raise ValueError(f"{path.name} would have {size:,} bytes; draw smaller figures")
    beside = path.with_suffix(".tmp")
    beside.write_text(text, encoding="utf-8")
    beside.replace(path)
    return size


def main(names: list[str]) -> int:
    """Make all notebooks, or those whose name starts with one of `names`."""
    chosen = [p for p in sources() if not names or any(p.name.startswith(n) for n in names)]
    if not chosen:
        print(f"no notebook of that name; there are {[p.stem for p in sources()]}")
        return 1
    for path in chosen:
        done = run(notebook_of(cells_of(path)))
        size = write(path.with_suffix(".ipynb"), done)
        print(f"{path.stem}: {size:,} bytes", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
