"""The HTML that cards are built from. All text is escaped.

A card brings its own style, follows the light or dark of its page or notebook, and keeps its
colours if that style is lost.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import Final

__all__ = ["DARK", "LIGHT", "box", "element", "folded", "paragraph", "themed"]

LIGHT: Final = {
    "ink": "#1b1b1b",
    "paper": "#fbfaf7",
    "quiet": "#5a564e",
    "line": "#b9b4a8",
    "mark": "#8a3b12",
    "curve": "#1f4e5f",
}
"""Colours of a card on a light page: text, ground, small print, rules, and in drawings the
highlight and the curve."""
DARK: Final = {
    "ink": "#e8e5de",
    "paper": "#1f1e1c",
    "quiet": "#b0aba0",
    "line": "#5c584f",
    "mark": "#f0a070",
    "curve": "#8cc4d8",
}
"""The same on a dark one."""


def _variables(colours: dict[str, str]) -> str:
    return "".join(f"--sm-{name}:{code};" for name, code in colours.items())


def themed(selector: str, light: str, dark: str) -> str:
    """CSS rules for a selector, with declarations for light and for dark pages.

    What the page says of itself (JupyterLab, VS Code, most themes of documentation) comes after
    the system's preference, and so wins.
    """

    def under(*hosts: str) -> str:
        return ",".join(f"{host} {selector}" for host in hosts)

    return (
        f"{selector}{{{light}}}@media(prefers-color-scheme:dark){{{selector}{{{dark}}}}}"
        f"{under('[data-jp-theme-light=true]', '[data-theme=light]', '.vscode-light')}{{{light}}}"
        f"{under('[data-jp-theme-light=false]', '[data-theme=dark]', '.vscode-dark')}{{{dark}}}"
    )


_STYLE: Final = (
    themed(".shadematch", _variables(LIGHT), _variables(DARK))
    + ".shadematch{font:14px/1.45 system-ui,sans-serif;color:var(--sm-ink);"
    "background:var(--sm-paper);border:1px solid var(--sm-line);border-radius:6px;"
    "padding:12px 14px;display:inline-block;max-width:min(46em,100%);box-sizing:border-box;"
    "overflow-wrap:anywhere}"
    ".shadematch .sm-top{display:flex;flex-wrap:wrap;gap:4px 18px;margin-bottom:8px}"
    ".shadematch .sm-colours{display:flex;flex:0 1 auto;min-width:0;max-width:100%}"
    ".shadematch .sm-mark{display:inline-block;margin:0;vertical-align:-1px}"
    ".shadematch .sm-colours>div>:first-child,.shadematch .sm-chip{position:relative}"
    ".shadematch .sm-colours .sm-mark,.shadematch .sm-chip .sm-mark{position:absolute;right:0;"
    "bottom:0}"
    ".shadematch .sm-colours .sm-mark{width:18px;height:18px}"
    ".shadematch .sm-key .sm-mark{border:1px solid var(--sm-line)}"
    ".shadematch .sm-colours>div{min-width:0}"
    ".shadematch .sm-colours>div>:first-child{border:solid var(--sm-line);border-width:1px 0;"
    "print-color-adjust:exact;forced-color-adjust:none}"
    ".shadematch .sm-colours>:first-child>:first-child{border-left-width:1px}"
    ".shadematch .sm-colours>:last-child>:first-child{border-right-width:1px}"
    ".shadematch .sm-chip{display:inline-block;width:1.6em;height:1em;margin-right:.4em;"
    "vertical-align:-.12em;border:1px solid var(--sm-line);print-color-adjust:exact;"
    "forced-color-adjust:none}"
    ".shadematch dl{display:grid;grid-template-columns:fit-content(11em) 1fr;margin:4px 0;"
    "column-gap:14px}"
    ".shadematch dt{font-weight:600;min-width:7em}.shadematch dd{margin:0}"
    ".shadematch dt,.shadematch dd{padding:1px 0}"
    ".shadematch p{margin:6px 0 0}"
    ".shadematch .sm-small{font-size:11.5px;color:var(--sm-quiet)}"
    ".shadematch summary{cursor:pointer;color:var(--sm-quiet);margin-top:4px}"
    ".shadematch svg{display:block;max-width:100%;height:auto;margin-top:4px}"
    ".shadematch .sm-wide{overflow-x:auto}"
    ".shadematch table{border:none;border-collapse:collapse;margin:4px 0;font-size:13px;"
    "color:inherit;overflow-wrap:normal}"
    ".shadematch tr{background:none!important}"
    ".shadematch td,.shadematch th{border:none;padding:1px 12px 1px 0;text-align:left;"
    "vertical-align:top;background:none;max-width:26em;white-space:normal}"
    ".shadematch thead th{border-bottom:1px solid var(--sm-line)}"
    ".shadematch .sm-right{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}"
)


def element(tag: str, inside: str, **attributes: str) -> str:
    """One element around HTML; values of attributes are escaped, ``class_`` gives ``class``."""
    told = "".join(
        f' {name.rstrip("_")}="{escape(value, quote=True)}"' for name, value in attributes.items()
    )
    return f"<{tag}{told}>{inside}</{tag}>"


def paragraph(text: str, *, small: bool = False) -> str:
    """A paragraph of text."""
    return element("p", escape(text), **({"class_": "sm-small"} if small else {}))


def folded(title: str, inside: Iterable[str]) -> str:
    """HTML that is folded away under a title."""
    return element("details", element("summary", escape(title)) + "".join(inside))


def box(parts: Iterable[str]) -> str:
    """A whole card."""
    return element("div", element("style", _STYLE) + "".join(parts), class_="shadematch")
