"""Look at every page in a browser: ``python -m tests.pages build/docs``.

Each page of the folder, notebooks among them, is opened in headless Chromium at 390 and 1400 px,
light and dark. It must bring no console error, nothing wider than the window, no text under 9 px
and no link that leads nowhere in the folder. ``--changed REF`` takes only pages whose source
differs from a commit (all, where style or settings do, or there is no such commit);
``--pictures FOLDER`` keeps a screenshot of each. Build the pages first:
``python -m sphinx -W -b html docs build/docs``.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from urllib.parse import unquote, urlsplit

from tests.browser import Browser, chromium

ROOT = Path(__file__).parent.parent
WIDTHS = (390, 1400)
LEAST_PX = 9.0
MADE_ALONE = {"genindex", "search", "py-modindex"}

_LOOK = """
(() => {
  const wide = document.documentElement.scrollWidth - document.documentElement.clientWidth;
  const small = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    const words = node.textContent.trim(), from = node.parentElement;
    if (!words || !from || ['STYLE', 'SCRIPT', 'NOSCRIPT'].includes(from.tagName)) continue;
    if (!from.checkVisibility({checkOpacity: true, checkVisibilityCSS: true})) continue;
    const matrix = from.getScreenCTM && from.getScreenCTM();
    const px = parseFloat(getComputedStyle(from).fontSize) *
      (matrix ? Math.hypot(matrix.a, matrix.b) : 1);
    if (px < LEAST - 0.05) small.push(px.toFixed(1) + ' px: ' + words.slice(0, 30));
  }
  const links = [...document.querySelectorAll('a[href], img[src], iframe[src]')]
    .map(e => e.href || e.src).filter(h => h.startsWith('file:'));
  return JSON.stringify({wide, small: small.slice(0, 5), links: [...new Set(links)],
    unnamed: [...document.querySelectorAll('article img:not([alt]), article img[alt=""]')]
      .map(e => e.src).filter(s => s)});
})()
""".replace("LEAST", str(LEAST_PX))


@cache
def _anchors(page: Path) -> frozenset[str]:
    return frozenset(re.findall(r'\b(?:id|name)="([^"]+)"', page.read_text(encoding="utf-8")))


def broken(links: Iterable[str]) -> list[str]:
    """Links to files, or to places in them, that are not there."""
    found = []
    for link in links:
        parts = urlsplit(link)
        place = Path(unquote(parts.path))
        if place.is_dir():
            place = place / "index.html"
        if not place.is_file():
            found.append(link)
            continue
        named = place.suffix == ".html" and parts.fragment
        if named and unquote(named) not in _anchors(place):
            found.append(link)
    return found


def looked_at(browser: Browser, page: Path, pictures: Path | None = None) -> list[str]:
    """What is wrong with a page, at every width, light and dark."""
    wrong = []
    for width in WIDTHS:
        for dark in (False, True):
            how = f"{width} px, {'dark' if dark else 'light'}"
            browser.looks(width=width, dark=dark)
            browser.open(page.as_uri())
            seen = json.loads(browser.value(_LOOK))
            wrong += [f"{how}: {words}" for words in browser.complaints]
            if seen["wide"] > 0:
                wrong.append(f"{how}: {seen['wide']} px wider than the window")
            wrong += [f"{how}: {words}" for words in seen["small"]]
            if width == WIDTHS[0] and not dark:
                wrong += [f"leads nowhere: {link}" for link in broken(seen["links"])]
                wrong += [f"no alt text: {source}" for source in seen["unnamed"]]
            if pictures is not None:
                name = f"{page.stem}-{width}-{'dark' if dark else 'light'}.png"
                browser.picture(pictures / name)
    return wrong


def changed_since(reference: str) -> set[str] | None:
    """Names of the pages whose source differs; None: all."""
    done = subprocess.run(
        ["git", "diff", "--name-only", reference],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:  # no such commit, as in a shallow clone
        return None
    names = set()
    for place in map(Path, done.stdout.splitlines()):
        if place.parts[0] in ("docs", "notebooks") and place.suffix in (".md", ".ipynb", ".svg"):
            names.add(place.stem)
        elif place.parts[0] == "shadematch":
            # The only pages that are made of the code itself.
            names |= {"command-line", *(page.stem for page in (ROOT / "docs" / "api").glob("*.md"))}
        elif place.name in ("conf.py", "pages.css", "pages.py"):
            return None
    return names


def main(words: list[str]) -> int:
    """Look; the exit status says whether all is well."""
    parser = argparse.ArgumentParser(prog="python -m tests.pages")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--changed", metavar="REF")
    parser.add_argument("--pictures", type=Path, metavar="FOLDER")
    asked = parser.parse_args(words)
    if chromium() is None:
        print("no Chromium was found: no page was looked at", file=sys.stderr)
        return 1 if os.environ.get("SHADEMATCH_NEEDS_BROWSER") else 0
    pages = [
        page
        for page in sorted(asked.folder.resolve().rglob("*.html"))
        if page.stem not in MADE_ALONE and "_static" not in page.parts
    ]
    only = None if asked.changed is None else changed_since(asked.changed)
    if only is not None:
        pages = [page for page in pages if page.stem in only]
    if asked.pictures is not None:
        asked.pictures.mkdir(parents=True, exist_ok=True)
    faults = 0
    with Browser("--allow-file-access-from-files") as browser:
        for page in pages:
            wrong = looked_at(browser, page, asked.pictures)
            faults += len(wrong)
            for words_ in wrong:
                print(f"{page.relative_to(asked.folder.resolve())}: {words_}", flush=True)
    print(f"{len(pages)} pages looked at, {faults} faults", flush=True)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
