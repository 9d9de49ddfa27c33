"""What could be built where: hosts, options, stores to try, sizes, quantities."""

from catchscreen.measures.checking import find_faults
from catchscreen.measures.contract import Measure
from catchscreen.measures.describing import describe, describe_as_markdown
from catchscreen.measures.registry import find_measures, open_measures, requirements
from catchscreen.measures.settling import settle
from catchscreen.measures.siting import propose
from catchscreen.measures.sizing import choose_size, store_trials
from catchscreen.measures.takeoff import list_layers, take_off

__all__ = [
    "Measure",
    "choose_size",
    "describe",
    "describe_as_markdown",
    "find_faults",
    "find_measures",
    "list_layers",
    "open_measures",
    "propose",
    "requirements",
    "settle",
    "store_trials",
    "take_off",
]
