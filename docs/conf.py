"""How the pages are built: ``python -m sphinx -W -b html docs build/docs``."""

from __future__ import annotations

import shutil
from pathlib import Path

import shadematch

HERE = Path(__file__).parent
ROOT = HERE.parent

# Notebooks live at the top of the project; the generator only reads what lies below this file.
GUIDES = HERE / "guides"
shutil.rmtree(GUIDES, ignore_errors=True)
GUIDES.mkdir()
for notebook in sorted((ROOT / "notebooks").glob("*.ipynb")):
    shutil.copy(notebook, GUIDES)

project = "shadematch"
author = "the shadematch authors"
version = release = shadematch.__version__
extensions = [
    "myst_nb",
    "sphinx.ext.autodoc",
    "sphinx.ext.autosummary",
    "sphinx.ext.napoleon",
    "sphinx.ext.mathjax",
]
myst_enable_extensions = ["dollarmath", "deflist", "colon_fence"]
myst_heading_anchors = 3
nb_execution_mode = "force"
nb_execution_raise_on_error = True
nb_execution_timeout = 300
nb_merge_streams = True
exclude_patterns = ["*.py"]
autodoc_typehints = "none"
autodoc_member_order = "bysource"
autosummary_generate = True
napoleon_google_docstring = False
napoleon_use_rtype = False
napoleon_use_ivar = True
# The turning solid is for notebooks; pages show the picture stored beside it.
suppress_warnings = ["mystnb.unknown_mime_type", "ref.python"]
html_theme = "furo"
html_title = "shadematch"
# No page asks the network for anything but the typesetting of formulas.
html_theme_options = {"navigation_with_keys": True}
