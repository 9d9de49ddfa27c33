"""``python -m catchscreen`` equals the console script."""

from __future__ import annotations

from catchscreen.cli import main

if __name__ == "__main__":
    main()
