"""Writing results: the only stage that makes files of them."""


def prepare() -> None:
    """Load what ``Screening.write`` draws with while the stages before it compute."""
    from catchscreen.outputs.drawing import load_early

    load_early()
