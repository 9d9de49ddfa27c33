"""Chosen candidates put on the ledger: which rows they replace, which run on to them, who takes whose overflow."""

from __future__ import annotations

import numpy as np
import pandas as pd

from catchscreen.records import Stores
from catchscreen.runoff.candidates import CandidatePieces


def place_candidates(
    stores: Stores, candidate_of: pd.Series, hosts: pd.DataFrame, taken: pd.DataFrame, ledger: pd.DataFrame
) -> CandidatePieces:
    """Lay a set of candidates on the ledger, for a run of what happens after they are built.

    A surface that one candidate replaces in part and another takes run-on from is cut once: the bare part runs on as
    before, and the overflow of the replaced part follows the same way; so does what a roof's outlet lets go.

    Parameters
    ----------
    stores : one store for each candidate of the set. candidate_of : index option_id, value candidate_id.
    hosts : candidate_id, surface_id, fraction of the surface that the host covers.
    taken : candidate_id, surface_id, fraction of the surface that runs on to the candidate.
    ledger : rows with surface_id and area_m2; candidates that are not in the set are passed over.

    Raises
    ------
    ValueError
        When a surface is covered, or its bare part taken, more than once over: a mistake of the calling code.
    """
    names = pd.Index(candidate_of.reindex(list(stores.option_id)).to_numpy())
    covered = _of_set(hosts, names)
    drained = _of_set(taken, names)
    for frame, what in ((covered, "covered"), (drained, "taken")):
        if (frame.groupby("surface_id")["fraction"].sum() > 1.0 + 1e-9).any():
            raise ValueError(f"a surface is {what} more than once over")
    bare = 1.0 - covered.groupby("surface_id")["fraction"].sum()
    rows = pd.DataFrame(
        {
            "surface_id": ledger["surface_id"].to_numpy(),
            "row": np.arange(len(ledger)),
            "row_m2": ledger["area_m2"].to_numpy(np.float64),
        }
    )
    on_rows = covered.merge(rows, on="surface_id")
    from_rows = drained.merge(rows, on="surface_id")
    left = from_rows["surface_id"].map(bare).fillna(1.0)
    passes_to, passed = _find_passes(on_rows, drained, len(names))
    return CandidatePieces(
        stores,
        on_rows[["candidate", "row"]].assign(area_m2=on_rows["row_m2"] * on_rows["fraction"]),
        from_rows[["candidate", "row"]].assign(area_m2=from_rows["row_m2"] * from_rows["fraction"] * left),
        passes_to,
        passed,
        # What has no base of its own on the ground is a roof: its drains lead where its overflow does.
        np.where(stores.base_area_m2 == 0.0, passed, 0.0),
    )


def _of_set(frame: pd.DataFrame, names: pd.Index) -> pd.DataFrame:
    """Return the rows of the candidates in the set, with their number."""
    numbered = frame[["candidate_id", "surface_id", "fraction"]].assign(
        candidate=names.get_indexer(pd.Index(frame["candidate_id"]))
    )
    return numbered[numbered["candidate"] >= 0].sort_values(["candidate", "surface_id"], kind="stable")


def _find_passes(
    on_rows: pd.DataFrame, drained: pd.DataFrame, count: int
) -> tuple[np.ndarray[tuple[int], np.dtype[np.int64]], np.ndarray[tuple[int], np.dtype[np.float64]]]:
    """Find who takes each candidate's overflow: the one that drains most of its host; the rest goes the host's way."""
    passes_to, passed = np.full(count, -1, np.int64), np.zeros(count)
    hosts = on_rows.assign(host_m2=on_rows["row_m2"] * on_rows["fraction"])
    whole = hosts.groupby("candidate")["host_m2"].sum()
    met = hosts.merge(drained, on="surface_id", suffixes=("", "_taker"))
    met = met[met["candidate"] != met["candidate_taker"]]
    met = met.assign(passed_m2=met["host_m2"] * met["fraction_taker"])
    pairs = met.groupby(["candidate", "candidate_taker"], sort=True)["passed_m2"].sum().reset_index()
    best = pairs.sort_values("passed_m2", ascending=False, kind="stable").drop_duplicates("candidate")
    giver = best["candidate"].to_numpy(np.int64)
    passes_to[giver] = best["candidate_taker"].to_numpy(np.int64)
    share = best["passed_m2"].to_numpy(np.float64) / whole.reindex(giver).to_numpy(np.float64)
    passed[giver] = np.minimum(share, 1.0)
    return passes_to, passed
