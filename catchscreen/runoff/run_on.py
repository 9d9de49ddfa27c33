"""Run-on: which loss classes drain onto each store, and how much of each."""

from __future__ import annotations

import numpy as np
import pandas as pd

from catchscreen.records import RunOn, Stores, StormRuns


def gather_run_on(
    stores: Stores, candidate_of: pd.Series, taken: pd.DataFrame, ledger: pd.DataFrame, now: StormRuns
) -> RunOn:
    """Weigh the loss classes of the surfaces that drain onto each store.

    Parameters
    ----------
    stores : Stores
        n stores.
    candidate_of : Series
        Index option_id, value candidate_id.
    taken : DataFrame
        candidate_id, surface_id, fraction of the surface that runs on to the candidate (``Proposals.run_on``).
    ledger : DataFrame
        ``Cover.ledger``, in the order of ``now.loss_class``.
    now : StormRuns
        Gives the class of each ledger row and what each class sheds.

    Returns
    -------
    RunOn
        Square metres of each class per square metre of host.
    """
    classes = next(iter(now.runoff_steps_mm.values())).shape[0] if now.runoff_steps_mm else 0
    rows = pd.DataFrame(
        {
            "surface_id": ledger["surface_id"].to_numpy(),
            "loss_class": now.loss_class,
            "area_m2": ledger["area_m2"].to_numpy(dtype=np.float64),
        }
    )
    by_class = rows.groupby(["surface_id", "loss_class"], sort=True, as_index=False)["area_m2"].sum()
    drained = taken[["candidate_id", "surface_id", "fraction"]].merge(by_class, on="surface_id", how="inner")
    drained["area_m2"] *= drained["fraction"]
    names = pd.Index(sorted(drained["candidate_id"].unique()))
    areas = np.zeros((len(names) + 1, classes))
    np.add.at(areas, (names.get_indexer(drained["candidate_id"]), drained["loss_class"].to_numpy()), drained["area_m2"])
    # A store whose candidate drains nothing finds no name and takes the last row, which stays zero.
    place = names.get_indexer(pd.Index(candidate_of.reindex(list(stores.option_id)).to_numpy()))
    return RunOn(areas[place] / stores.host_area_m2[:, None], now.runoff_steps_mm)
