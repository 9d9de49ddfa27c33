"""What lies on the ground, counted once: impermeable, connected, roofs, patches, and the ledger of square metres."""

from __future__ import annotations

from catchscreen.surfaces.accounting import account, with_buildings

__all__ = ["account", "with_buildings"]
