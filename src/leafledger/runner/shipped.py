"""Where the Snakefile and the demo study lie: in the checkout, or inside the installed package."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent.parent
_CHECKOUT = _PACKAGE.parent.parent


def snakefile() -> Path:
    """Return the path of the Snakefile."""
    return _either(_CHECKOUT / "Snakefile", _PACKAGE / "shipped" / "Snakefile")


def demo_study() -> Path:
    """Return the folder of the demo study."""
    return _either(_CHECKOUT / "demo_data" / "chelate", _PACKAGE / "shipped" / "demo")


def _either(checkout: Path, installed: Path) -> Path:
    for path in (installed, checkout):
        if path.exists():
            return path
    raise FileNotFoundError(f"{installed.name} is missing from the installation; install it again")
