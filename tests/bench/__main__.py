"""`make bench`: speed as ratios, measured in one run on one machine. `engines`, `forms`, `pipeline` run one part."""

from __future__ import annotations

import sys

from tests.bench import engines, forms, pipeline

PARTS = {"engines": engines.main, "forms": forms.main, "pipeline": pipeline.main}

if __name__ == "__main__":
    asked = [name for name in PARTS if name in sys.argv] or list(PARTS)
    for name in asked:
        PARTS[name]()
