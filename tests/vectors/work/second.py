"""The method of docs/method.md once more, written from that page and not from the program.

Reads a list of work files as JSON and prints, for each, what was learned and the dates. One compartment, a box or a level
cylinder; the limit is 30 % of the liquid (the rule set "general").
"""
import datetime
import json
import math
import statistics
import sys

BETA = 0.845  # the figure the page gives
HOUSE, CYCLE, MEDIAN = 0.4915, 0.20, 89.0
EDGE_MM = 25.0


def below(shape, mm):
    """Litres below a height, and the plan area there in square metres."""
    h = mm / 1000
    if shape["kind"] == "box":
        area = shape["length_mm"] * shape["width_mm"] / 1e6
        return area * h * 1000, area
    r, length = shape["diameter_mm"] / 2000, shape["length_mm"] / 1000
    segment = r * r * math.acos((r - h) / r) - (r - h) * math.sqrt(max(0.0, 2 * r * h - h * h))
    return segment * length * 1000, 2 * math.sqrt(max(0.0, 2 * r * h - h * h)) * length


def solids(tank, visit):
    """Litres of scum and sludge, and their error."""
    depth, shape = tank["liquid_depth_mm"], tank["shape"]
    sludge, sludge_area = below(shape, visit["sludge_mm"])
    under_scum, scum_area = below(shape, depth - visit["scum_mm"])
    whole, _ = below(shape, depth)
    error = math.hypot(sludge_area * EDGE_MM if visit["sludge_mm"] else 0, scum_area * EDGE_MM if visit["scum_mm"] else 0)
    return sludge + whole - under_scum, error


def answer(case):
    tank, site = case["tank"], case["site"]
    people, grinder = site["residents"], 1.3 if site["grinder"] else 1.0
    visits = sorted(case["history"] + [case["visit"]], key=lambda visit: visit["date"])
    weight, total = 1 / HOUSE**2, math.log(MEDIAN) / HOUSE**2
    heels = {visit["date"]: float(visit["heel_l"]) for visit in visits}
    used = 0
    for visit in visits:
        emptied = visit.get("last_emptied", case["last_emptied"])
        heel = heels.get(emptied, 0.0)
        days = (datetime.date.fromisoformat(visit["date"]) - datetime.date.fromisoformat(emptied)).days
        litres, error = solids(tank, visit)
        if days >= 30 and litres > heel:
            variance = CYCLE**2 + (error / litres) ** 2
            weight += 1 / variance
            total += math.log((litres - heel) / (people * grinder * (days / 365.25) ** BETA)) / variance
            used += 1
    heel = heels[case["visit"]["date"]]
    mean, spread = total / weight, math.sqrt(1 / weight)
    limit = 0.30 * below(tank["shape"], tank["liquid_depth_mm"])[0]
    quantiles = {}
    for q in (0.25, 0.5, 0.75, 0.9):
        k = math.exp(mean + statistics.NormalDist().inv_cdf(q) * math.hypot(spread, CYCLE))
        quantiles[str(q)] = ((limit - heel) / (people * grinder * k)) ** (1 / BETA)
    return {"median_k": math.exp(mean), "spread": spread, "used": used, "limit_l": limit, "years": quantiles}


print(json.dumps([answer(case) for case in json.load(sys.stdin)]))
