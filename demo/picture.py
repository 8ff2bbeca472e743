"""Make the README's picture, ``docs/pictures/disk.jpg``, from a finished demo.

python demo/picture.py demo-session
"""

from __future__ import annotations

import sys
from pathlib import Path

from PIL import Image

SIDE_PX = 900
QUALITY = 85
TARGET = Path(__file__).parent.parent / "docs" / "pictures" / "disk.jpg"


def main() -> None:
    """Shrink the demo's own picture; nothing else is done to it."""
    if len(sys.argv) != 2:
        sys.exit("usage: python demo/picture.py SESSION")
    source = Path(sys.argv[1]) / "assembled" / "pictures" / "disk.png"
    with Image.open(source) as picture:
        # Pillow resizes 16-bit gray as 32-bit numbers
        small = picture.convert("I").resize((SIDE_PX, SIDE_PX), Image.Resampling.BOX)
        eight = small.point(lambda value: value * (255 / 65535)).convert("L")
    TARGET.parent.mkdir(parents=True, exist_ok=True)
    eight.save(TARGET, quality=QUALITY)
    print(f"{TARGET}: {TARGET.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
