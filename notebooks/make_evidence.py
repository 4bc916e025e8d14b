"""Write notebooks/evidence.md: `python notebooks/make_evidence.py`; reads the folder named by RISKMAP_OPEN_DATA.

Without the open data nothing is written, so that an empty page never replaces a complete one. `--anyway` writes the
page, and every case then says what it lacks.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from riskmap.evidence.measured import comparison, comparisons, page

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "notebooks" / "evidence.md"


def main() -> int:
    """Write the page; return 2 when open data are absent."""
    open_data = Path(os.environ.get("RISKMAP_OPEN_DATA", ROOT.parent / "shared" / "data"))
    lacking = sorted({name for case in comparisons.comparisons() for name in comparison.missing(case, open_data)})
    if lacking and "--anyway" not in sys.argv[1:]:
        print(f"open data absent: {', '.join(lacking)}; set RISKMAP_OPEN_DATA. Nothing written.", file=sys.stderr)
        return 2
    PAGE.write_text(page.page(open_data), encoding="utf-8")
    print(PAGE.relative_to(ROOT))
    return 0


if __name__ == "__main__":
    sys.exit(main())
