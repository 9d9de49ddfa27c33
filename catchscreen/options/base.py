"""What all option records share: the kinds of number, and one frozen base."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Fraction = Annotated[float, Field(ge=0, le=1)]
Range = tuple[Fraction, Fraction, Fraction]
Shares = tuple[Fraction, Fraction, Fraction]


class Options(BaseModel):
    """Base of every options record: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
