"""Draw the batch sheet of the guide: ``python docs/make_sheet.py``, from the project's root.

Needs chromium, and pypdfium2 (an extra of `dev`).
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pypdfium2

import shadematch as sm

GOAL = Path(__file__).parent / "batch-sheet.png"


def main() -> int:
    """Print the page and keep it as a picture."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        print("chromium is not installed", file=sys.stderr)
        return 1
    pour = sm.Pour(batch_g=930, thickness_cm=2.0)
    match = sm.match("#d9822b", pour=pour)
    sheet = sm.batch_sheet(
        match, title="Harbour lights", bars=9, bar_g=100, note="First batch. Keep one bar back."
    )
    with tempfile.TemporaryDirectory() as folder:
        page, printed = Path(folder, "page.html"), Path(folder, "page.pdf")
        sheet.save(page)
        subprocess.run(
            [
                *(chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run"),
                *(f"--user-data-dir={folder}/profile", "--no-pdf-header-footer"),
                *(f"--print-to-pdf={printed}", page.as_uri()),
            ],
            check=True,
            capture_output=True,
        )
        pypdfium2.PdfDocument(printed)[0].render(scale=1.3).to_pil().save(GOAL, optimize=True)
    print(f"wrote {GOAL.name}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
