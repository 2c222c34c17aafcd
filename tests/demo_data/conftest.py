"""The generator is a script beside its package; make both importable."""

import sys
from pathlib import Path

DEMO_DATA = Path(__file__).resolve().parents[2] / "demo_data"
if str(DEMO_DATA) not in sys.path:
    sys.path.insert(0, str(DEMO_DATA))
