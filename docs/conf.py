"""How the pages are built: ``python -m sphinx -W -b html docs build/docs``."""

from __future__ import annotations

import re
import shutil
from html import unescape
from pathlib import Path
from typing import Any

from docutils import nodes
from docutils.utils.math import latex2mathml

import shadematch

HERE = Path(__file__).parent
_LONGEST_WHOLE = 24
ROOT = HERE.parent

# Notebooks live at the top of the project; the generator only reads what lies below this file.
# They are run anew on every build, and an error in a cell ends it.
GUIDES = HERE / "guides"
shutil.rmtree(GUIDES, ignore_errors=True)
GUIDES.mkdir()
for notebook in sorted((ROOT / "notebooks").glob("*.ipynb")):
    shutil.copy(notebook, GUIDES)

project = "shadematch"
author = "the shadematch authors"
version = release = shadematch.__version__
extensions = ["myst_nb", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
myst_enable_extensions = ["dollarmath", "deflist", "colon_fence"]
myst_heading_anchors = 3
nb_execution_mode = "force"
nb_execution_raise_on_error = True
nb_execution_timeout = 300
nb_merge_streams = True
exclude_patterns = ["*.py"]
add_module_names = False
autodoc_typehints = "none"
autodoc_member_order = "bysource"
# `Target` in a docstring is a link where there is such a name, and plain code where there is not.
default_role = "py:obj"
highlight_language = "none"  # blocks that say nothing are tables of columns and files
napoleon_google_docstring = False
napoleon_use_rtype = False
napoleon_use_param = False  # parameters that share an explanation stay together
# The turning solid is for notebooks; pages show the picture stored beside it.
suppress_warnings = ["mystnb.unknown_mime_type", "ref.python"]
html_theme = "furo"
html_title = "shadematch"
html_static_path = ["_static"]
html_favicon = "_static/favicon.svg"
html_css_files = ["pages.css"]
html_show_copyright = False
html_theme_options = {"navigation_with_keys": True}
# Formulas are MathML, which browsers set themselves: no page asks the network for anything.
html_math_renderer = "mathml"


def _inline_formula(page: Any, node: nodes.math) -> None:
    page.body.append(latex2mathml.tex2mathml(node.astext(), as_block=False))
    raise nodes.SkipNode


def _block_formula(page: Any, node: nodes.math_block) -> None:
    text = latex2mathml.tex2mathml(node.astext(), as_block=True)
    page.body.append(f'<div class="formula">{text}</div>\n')
    raise nodes.SkipNode


def _attributes(*told: Any) -> None:
    """Attributes as a list of terms; several that share an explanation stay together."""
    lines: list[str] = told[-1]
    rule = next((i for i, line in enumerate(lines) if re.fullmatch(r"-{10}", line.strip())), 0)
    if not rule or lines[rule - 1].strip() != "Attributes":
        return
    rest = range(rule + 1, len(lines))
    end = next((i for i in rest if re.fullmatch(r"-{3,}", lines[i].strip())), len(lines) + 1) - 1
    listed = [
        re.sub(r"\w+", r"``\g<0>``", line) if line and not line[0].isspace() else line
        for line in lines[rule + 1 : end]
    ]
    lines[rule - 1 : end] = [".. rubric:: Attributes", "", *listed, ""]


def _property(*told: Any) -> None:
    """A property's first sentence whole: what stands before a colon in it is not a type."""
    kind, lines = told[1], told[-1]
    if kind == "property":
        lines[:0] = ["..", ""]  # an empty comment: blank lines alone are skipped


def _signature(*told: Any) -> tuple[str | None, str | None]:
    """Without what only the library itself gives."""
    words, gives = told[-2:]
    return words and re.sub(r"(, )?\b_\w+(=[^,)]*)?", "", words), gives


def _skip(*told: Any) -> bool | None:
    """Whether a member is pydantic's and not ours; None lets others decide."""
    return True if told[2] == "model_config" else None


def _code_word(found: re.Match[str]) -> str:
    """A short word of code in one piece; a long one breaks where a reader would break it."""
    word = found[1]
    if len(unescape(word)) <= _LONGEST_WHOLE:
        return f'<span class="pre whole">{word}</span>'
    parted = re.sub(r"([.(=/,])(?=[A-Za-z])", r"\1<wbr>", word)
    return f'<span class="pre">{parted}</span>'


def _command(found: re.Match[str]) -> str:
    """A block of commands whose options stay in one piece."""
    return re.sub(r"(?<=[\s>])[\w./=]*-[\w./=-]*", r'<span class="whole">\g<0></span>', found[0])


def _wrapped(*told: Any) -> None:
    """Browsers break lines after any hyphen, which parts the two of an option."""
    context = told[3]
    if "body" in context:
        body = re.sub(r'<span class="pre">([^<]*)</span>', _code_word, context["body"])
        context["body"] = re.sub(
            r'<div class="highlight-sh .*?</pre>', _command, body, flags=re.DOTALL
        )


def setup(app: Any) -> None:
    """What Sphinx calls."""
    app.add_html_math_renderer("mathml", (_inline_formula, None), (_block_formula, None))
    app.connect("autodoc-process-docstring", _attributes, priority=100)
    app.connect("autodoc-process-docstring", _property, priority=100)
    app.connect("autodoc-process-signature", _signature)
    app.connect("autodoc-skip-member", _skip)
    app.connect("html-page-context", _wrapped)
