"""What all option records share: the kinds of number, and one frozen base."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Fraction = Annotated[float, Field(ge=0, le=1)]
Range = tuple[Fraction, Fraction, Fraction]
Shares = tuple[Fraction, Fraction, Fraction]


class Options(BaseModel):
    """Base of every options record: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def fill_table(given: Mapping[str, Any], whole: Mapping[str, Any]) -> dict[str, Any]:
    """Let the user give some rows of a table only.

    Raises
    ------
    ValueError
        For rows that mean nothing.
    """
    if odd := sorted(set(given) - set(whole)):
        raise ValueError(f"not known: {', '.join(odd)}; use {', '.join(whole)}")
    return {**whole, **given}
