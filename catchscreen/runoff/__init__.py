"""Rain, storms, losses, the water ledger, stores, and routing."""

from __future__ import annotations

from catchscreen.runoff.candidates import CandidatePieces
from catchscreen.runoff.depths import estimate_depths
from catchscreen.runoff.greenfield import greenfield_rate
from catchscreen.runoff.ledger import run_storms
from catchscreen.runoff.placing import place_candidates
from catchscreen.runoff.rain import prepare_rain
from catchscreen.runoff.run_on import gather_run_on
from catchscreen.runoff.statistics import summarise_record
from catchscreen.runoff.store_events import run_store_events
from catchscreen.runoff.store_years import run_stores
from catchscreen.runoff.survey import fit_to_survey

__all__ = [
    "CandidatePieces",
    "estimate_depths",
    "fit_to_survey",
    "gather_run_on",
    "greenfield_rate",
    "place_candidates",
    "prepare_rain",
    "run_store_events",
    "run_stores",
    "run_storms",
    "summarise_record",
]
