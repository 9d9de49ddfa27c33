"""The water ledger of one storm, step by step: outlets, candidates, capture, overland. All sums in one fixed order.

Pieces of one zone and loss class (a mix) shed and are captured alike, step for step: steps are worked out by mix, and
single pieces only take their area times the totals of their mix. Sub-catchments are groups (sub-catchment x mix).

Columns of ``store`` (candidates, 16): 0 host area [m2], 1 base area [m2], 2 wetting [mm], 3 intake [mm/h], 4 substrate
[mm], 5 its start fraction, 6 void [mm], 7 sill [mm], 8 outlet at full head [mm/h], 9 exponent, 10 soak [mm/h over
base], 11 outlet to (0 sewer, 1 ground, 2 watercourse), 12 zone, 13 passes overflow to candidate (-1 none), 14 share
passed, 15 share of the outlet's flow passed to it too. Columns of ``state``: 0 wetting, 1 substrate, 2 void [mm over
the host], 3 outlet demand, 4 received from above [m3]. Columns of ``totals`` (m3): 0 rain, 1 run-on, 2 from other
candidates, 3 soak, 4 sewer, 5 to ground, 6 to watercourse, 7 evaporation, 8 overflow to the host's way, 9 passed on,
10 change in store.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchscreen.compiled import kernel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@kernel
def outlet_depth(head: float, full_head: float, rate: float, exponent: float, hours: float) -> float:
    """Depth [mm] that leaves through an outlet in a step without inflow: exact for an orifice (0.5) and linear (1)."""
    if head <= 0.0 or rate <= 0.0:
        return 0.0
    if full_head <= 0.0:
        return min(head, rate * hours)
    if exponent == 0.5:
        root = max(np.sqrt(head) - rate * hours / (2.0 * np.sqrt(full_head)), 0.0)
        return head - root * root
    if exponent == 1.0:
        return -head * np.expm1(-rate * hours / full_head)
    return min(head, rate * hours * (head / full_head) ** exponent)


@kernel
def demand_outlets(store: Floats, state: Floats, hours: float, wanted: Floats) -> None:
    """Ask each outlet for what stands above its sill once the ground has had its share; sum sewer wishes by zone."""
    for zone in range(wanted.size):
        wanted[zone] = 0.0
    for j in range(store.shape[0]):
        soak = store[j, 10] * hours * store[j, 1] / store[j, 0]
        head = state[j, 2] - min(soak, state[j, 2]) - store[j, 7]
        depth = outlet_depth(head, store[j, 6] - store[j, 7], store[j, 8], store[j, 9], hours)
        state[j, 3] = depth * store[j, 0] / 1000.0
        if store[j, 11] == 0.0 and store[j, 12] >= 0.0:
            wanted[int(store[j, 12])] += state[j, 3] * (1.0 - store[j, 15])
        elif store[j, 11] == 0.0:
            state[j, 3] = 0.0


@kernel
def fill_store(store: Floats, state: Floats, inflow: float, accepted: float, step: Floats, totals: Floats) -> float:
    """Run one candidate through one step and return its overflow [m3]; ``step`` is hours and evaporation [mm/h]."""
    area = store[0] / 1000.0
    hours = step[0]
    held = state[0] + inflow / area
    air = min(step[1] * hours, held)
    state[0] = min(store[2], held - air)
    down = held - air - state[0]
    entering = min(down, store[3] * hours)
    excess = down - entering
    kept = min(entering, store[4] - state[1])
    state[1] += kept
    water = state[2] - accepted / area + (entering - kept)
    soak = min(store[10] * hours * store[1] / store[0], water)
    water -= soak
    state[2] = min(water, max(store[6], 0.0))
    over = (excess + water - state[2]) * area
    totals[3] += soak * area
    totals[4 + int(store[11])] += accepted
    totals[7] += air * area
    return over


@kernel
def run_candidates(
    depth: float, step: Floats, store: Floats, state: Floats, run_on: Floats, take: Floats, totals: Floats, left: Floats
) -> None:
    """Fill every candidate through a part of a step, upstream first.

    step : hours and evaporation of the part; run_on [m3] per hour; left [m3] gains the overflow that goes the way of
    the host before.
    """
    for j in range(store.shape[0]):
        state[j, 4] = 0.0
    for j in range(store.shape[0]):
        handed = state[j, 3] * store[j, 15] if store[j, 13] >= 0.0 else 0.0
        accepted = state[j, 3] - handed
        if store[j, 11] == 0.0 and store[j, 12] >= 0.0:
            accepted *= take[int(store[j, 12])]
        rain = depth * store[j, 0] / 1000.0
        ran_on = run_on[j] * step[0]
        over = fill_store(store[j], state[j], rain + ran_on + state[j, 4], accepted + handed, step, totals[j])
        totals[j, 4 + int(store[j, 11])] -= handed
        passed = over * store[j, 14] if store[j, 13] >= 0.0 else 0.0
        if store[j, 13] >= 0.0:
            state[int(store[j, 13]), 4] += passed + handed
        left[j] += over - passed
        totals[j, 0] += rain
        totals[j, 1] += ran_on
        totals[j, 2] += state[j, 4]
        totals[j, 8] += over - passed
        totals[j, 9] += passed + handed


@kernel
def capture(offered: float, room: float) -> float:
    """Share of the offered water that a sewer with some room takes; 1 where nothing is offered."""
    return min(offered, room) / offered if offered > 0.0 else 1.0


@kernel
def offer(runoff: Floats, mixes: tuple[Ints, Floats], offered: Floats) -> None:
    """Add what all mixes offer to their zone in each step [m3]; mixes: (mixes, 2) zone, class, and piped area [m2]."""
    at, piped = mixes
    for m in range(piped.size):
        area = piped[m] / 1000.0
        for t in range(runoff.shape[1]):
            offered[at[m, 0], t] += area * runoff[at[m, 1], t]


@kernel
def sum_mixes(runoff: Floats, fraction: Floats, at: Ints, sums: Floats) -> None:
    """Sum the depth of each mix that is captured and that is not, over the steps [mm]."""
    for m in range(at.shape[0]):
        taken, missed = 0.0, 0.0
        for t in range(runoff.shape[1]):
            share = fraction[at[m, 0], t]
            taken += runoff[at[m, 1], t] * share
            missed += runoff[at[m, 1], t] * (1.0 - share)
        sums[m, 0], sums[m, 1] = taken, missed


@kernel
def flow_over_land(runoff: Floats, fraction: Floats, groups: tuple[Ints, Floats], flow: Floats) -> None:
    """Add the overland runoff of all groups to their sub-catchment in each step [m3].

    groups : (groups, 3) sub-catchment, zone, class; (groups, 2) piped and overland area [m2].
    """
    at, areas = groups
    for g in range(at.shape[0]):
        piped, land = areas[g, 0] / 1000.0, areas[g, 1] / 1000.0
        for t in range(runoff.shape[1]):
            flow[at[g, 0], t] += runoff[at[g, 2], t] * (land + piped * (1.0 - fraction[at[g, 1], t]))


@kernel
def gather_run_on(runoff: Floats, t: int, hours: float, entry_at: Ints, entry_area: Floats, run_on: Floats) -> None:
    """Sum what runs on to each candidate in step t [m3/h]; ``runoff`` is (classes, steps) [mm]."""
    for j in range(run_on.size):
        run_on[j] = 0.0
    for e in range(entry_area.size):
        run_on[entry_at[e, 0]] += entry_area[e] * runoff[entry_at[e, 1], t] / (1000.0 * hours)


@kernel
def take_outlets(capacity: Floats, hours: float, wanted: Floats, take: Floats, piped: Floats) -> None:
    """Let outlets into the sewer first: the share of their wish that each zone takes; add what it is to ``piped``."""
    for zone in range(capacity.size):
        limit = capacity[zone] * hours
        take[zone] = min(limit / wanted[zone], 1.0) if wanted[zone] > 0.0 else 1.0
        piped[zone] += wanted[zone] * take[zone]


@kernel
def send_overflow(
    left: Floats, hosts: tuple[Ints, Floats], t: int, fraction: Floats, land_flow: Floats, host_sums: Floats
) -> None:
    """Send the overflow of step t the ways of its host rows."""
    host_at, host_share = hosts
    for h in range(host_at.shape[0]):
        volume = left[host_at[h, 0]] * host_share[h, 0]
        missed = 1.0 - fraction[host_at[h, 1], t]
        host_sums[h, 0] += volume
        host_sums[h, 1] += volume * fraction[host_at[h, 1], t]
        host_sums[h, 2] += volume * missed
        land_flow[host_at[h, 2], t] += volume * (host_share[h, 3] + host_share[h, 1] * missed)


@kernel
def run_steps(
    rain: Floats,
    step: Floats,
    runoff: Floats,
    capacity: Floats,
    candidates: tuple[Floats, Ints, Floats, Ints, Floats],
    offered: Floats,
    out: tuple[Floats, Floats, Floats, Floats, Floats],
) -> None:
    """Go through the steps of one storm: outlets, candidates, capture.

    candidates : store; run-on entries (entries, 2) candidate, class; their areas; host entries (hosts, 3) candidate,
    zone, sub-catchment; their (hosts, 4) share of the host and piped, ground, overland shares.
    out : capture fraction (zones, steps), zone flow and overland flow (sub-catchments, steps) [m3 per step], candidate
    totals, host sums (hosts, 3) [m3] all, captured and not; zero before. offered : (zones, steps) by the pieces [m3].

    Stores are followed in parts of a step of at most a minute, their inflow spread evenly: a small store with a quick
    outlet would else overflow within a step before its outlet opens. The sewer's capture stays by whole steps, so that
    now and after are compared by the same steps.
    """
    store, entry_at, entry_area, host_at, host_share = candidates
    fraction, zone_flow, land_flow, totals, host_sums = out
    count, zones = store.shape[0], capacity.size
    state = np.zeros((count, 5))
    wanted, take, piped = np.zeros(zones), np.zeros(zones), np.zeros(zones)
    run_on, left = np.zeros(count), np.zeros(count)
    for j in range(count):
        state[j, 1] = store[j, 4] * store[j, 5]
    parts = max(int(np.ceil(step[0] * 60.0 - 1e-9)), 1) if count > 0 else 1
    part = step.copy()
    part[0] = step[0] / parts
    for t in range(rain.size):
        gather_run_on(runoff, t, step[0], entry_at, entry_area, run_on)
        for zone in range(zones):
            piped[zone] = 0.0
        for j in range(count):
            left[j] = 0.0
        for _ in range(parts):
            demand_outlets(store, state, part[0], wanted)
            take_outlets(capacity, part[0], wanted, take, piped)
            run_candidates(rain[t] / parts, part, store, state, run_on, take, totals, left)
        for h in range(host_at.shape[0]):
            offered[host_at[h, 1], t] += left[host_at[h, 0]] * host_share[h, 0] * host_share[h, 1]
        for zone in range(zones):
            room = max(capacity[zone] * step[0] - piped[zone], 0.0)
            fraction[zone, t] = capture(offered[zone, t], room)
            zone_flow[zone, t] = piped[zone] + offered[zone, t] * fraction[zone, t]
        send_overflow(left, (host_at, host_share), t, fraction, land_flow, host_sums)
    for j in range(count):
        start = store[j, 4] * store[j, 5]
        totals[j, 10] = (state[j, 0] + state[j, 1] - start + state[j, 2]) * store[j, 0] / 1000.0


@kernel
def capture_steps(capacity: Floats, hours: float, offered: Floats, fraction: Floats, zone_flow: Floats) -> None:
    """Take into each sewer what it has room for, step by step, where there are no candidates (all as ``run_steps``)."""
    for zone in range(capacity.size):
        room = capacity[zone] * hours
        for t in range(offered.shape[1]):
            fraction[zone, t] = capture(offered[zone, t], room)
            zone_flow[zone, t] = offered[zone, t] * fraction[zone, t]


@kernel
def sum_pieces(
    depth: float, class_sums: Floats, mix_sums: Floats, at: tuple[Ints, Ints, Ints], areas: Floats, sums: Floats
) -> None:
    """Add every piece's terms of one storm to its units, in the order of the pieces.

    depth : rain [mm]. at : class and mix of each piece, unit numbers (levels, pieces) with -1 for none.
    areas : (pieces, 6) [m2] all, bare, own, own times the piped, ground and overland share; own is bare less led away.
    sums : (units, 6) [m3] rain, sewer, overland, infiltration, evaporation, change in store, added to.
    """
    number, mix, unit = at
    value = np.zeros(6)
    for k in range(number.size):
        c, m = number[k], mix[k]
        shed = class_sums[c, 0] / 1000.0
        bare = areas[k, 1] / 1000.0
        value[0] = areas[k, 0] * depth / 1000.0
        value[1] = areas[k, 3] * mix_sums[m, 0] / 1000.0
        value[2] = areas[k, 5] * shed + areas[k, 3] * mix_sums[m, 1] / 1000.0
        value[3] = bare * class_sums[c, 1] + areas[k, 4] * shed
        value[4] = bare * class_sums[c, 2]
        value[5] = bare * class_sums[c, 3]
        for level in range(unit.shape[0]):
            u = unit[level, k]
            if u >= 0:
                for term in range(6):
                    sums[u, term] += value[term]
