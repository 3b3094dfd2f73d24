"""Where the machines and ROMs that come with the kit lie: in the wheel, or in the checkout."""

from __future__ import annotations

from pathlib import Path


def shipped_folder() -> Path:
    """Folder that holds `demo` and `roms`."""
    package = Path(__file__).parent.parent
    inside = package / "shipped"
    return inside if inside.is_dir() else package.parent


def demo_folder() -> Path:
    """Folder of the demo machines."""
    return shipped_folder() / "demo"
