"""Calling a measure's own functions: whatever goes wrong in a stranger's code is named with its distribution."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import TypeVar

from catchscreen.errors import MeasureFailed
from catchscreen.measures.contract import Measure
from catchscreen.options import MeasureOptions

logger = logging.getLogger("catchscreen")

Answer = TypeVar("Answer")


def ask(
    measure: Measure,
    what: str,
    function: Callable[[], Answer],
    fault_of: Callable[[Answer], str],
    options: MeasureOptions,
) -> Answer | None:
    """Call a measure's function and check what it gives.

    Parameters
    ----------
    what : what it was asked for, in words.
    function : the call, its arguments bound to copies.
    fault_of : says what is wrong with the answer, "" if nothing.

    Returns
    -------
    Answer or None
        None when it failed and the brief says to go on without a broken measure (never for our own).

    Raises
    ------
    MeasureFailed
        When it failed and the brief says to stop.
    """
    cause: Exception | None = None
    answer: Answer | None = None
    try:
        answer = function()
        fault = fault_of(answer)
    except Exception as raised:  # noqa: BLE001 (nobody knows what a stranger's code raises)
        cause, fault = raised, f"{type(raised).__name__}: {raised}"
    if not fault:
        return answer
    owner = measure.distribution or "a caller's own measure"
    message = f"the measure {measure.name!r} of {owner} failed when asked for {what}: {fault}."
    if options.on_plugin_error == "stop" or measure.distribution == "catchscreen":
        raise MeasureFailed(message) from cause
    logger.warning("%s The run goes on without it.", message)
    return None
