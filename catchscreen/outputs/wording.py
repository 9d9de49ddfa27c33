"""The cautions that stand on every output. They can be translated; they cannot be switched off."""

from __future__ import annotations

from typing import Final

CAUTIONS: Final[tuple[str, ...]] = (
    (
        "Screening only: it finds places worth a closer look. It does not design, size, certify or approve anything, "
        "and it is not a screening opinion under environmental-assessment law."
    ),
    (
        "Ground, groundwater, contamination, structure, utilities and connections have not been verified on site. "
        "Tests and surveys by suitably qualified people come before any decision to build."
    ),
    (
        "Design, structural adequacy, infiltration near buildings and consents stay with the licensed or chartered "
        "professional appointed and with the authorities; local codes decide."
    ),
    (
        "Hollows show where water could gather in a stated storm. They say nothing about a single property and must "
        "not be used for insurance, valuation or sale."
    ),
    "What is kept out of a sewer is a figure of runoff. Effects on overflows need the sewer operator's verified model.",
    "Costs are bands at a stated price year, not quotations. Carbon depends on the stated boundary and rival.",
    "Unknown is not evidence of absence: where a layer was not given, nothing was cleared.",
    "Supplier data are used as declared: check the declaration, its date and its test standard.",
)
