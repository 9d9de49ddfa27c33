"""Screen a district for places where impermeable ground could be opened or roofs greened.

The public names are loaded when they are first asked for, so that importing the package is quick::

    import catchscreen

    brief = catchscreen.Brief.from_toml("brief.toml")
    screening = catchscreen.screen(brief)
    screening.write("result")
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from catchscreen.brief import Brief
    from catchscreen.errors import CatchscreenError, InputsAtFault
    from catchscreen.outputs.screening import Screening
    from catchscreen.pipeline import screen

    __version__: str

__all__ = ["Brief", "CatchscreenError", "InputsAtFault", "Screening", "__version__", "screen"]

_HOMES = {
    "Brief": "catchscreen.brief",
    "CatchscreenError": "catchscreen.errors",
    "InputsAtFault": "catchscreen.errors",
    "Screening": "catchscreen.outputs.screening",
    "screen": "catchscreen.pipeline",
}

logging.getLogger("catchscreen").addHandler(logging.NullHandler())


def __getattr__(name: str) -> Any:
    """Load a public name from the module that holds it."""
    if name == "__version__":
        from importlib.metadata import version

        return version("catchscreen")
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'catchscreen' has no attribute {name!r}")


def __dir__() -> list[str]:
    """List the public names and nothing else."""
    return __all__
