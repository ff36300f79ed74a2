"""Turns the rows of ``bench_compare.py measure`` into typical behaviour and tables."""

from __future__ import annotations

import json
from collections import defaultdict
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit
from sklearn.metrics import roc_auc_score

import loupebook.compare.usual
from loupebook.compare.comparison import DIFFERS_FROM, GREATEST, LEAST, Figure, Verdict, overall
from loupebook.compare.usual import coarseness, is_known, z_of

SKILLS = ("clumsy", "fair", "good", "very good")
UNTOLD = -9.0
RIDGE = 0.1


def load(*paths: Path) -> list[dict]:
    """Read rows."""
    return [json.loads(line) for path in paths for line in path.open()]


def typical(*paths: Path) -> None:
    """Take level, centre and scale of every measurement from genuine queries."""
    rows = load(*paths)
    held: dict[str, dict[str, dict[str, float]]] = {"plain": {}, "uv-a": {}}
    names = sorted({name for row in rows for name in row["values"]})
    for light in held:
        ours = [r for r in rows if (r["lighting"] == "uv-a") == (light == "uv-a")]
        for name in names:
            levels = {r["edition"]: r["own"].get(name, []) for r in ours}
            every = [v for values in levels.values() for v in values]
            level = float(np.median(every)) if every else 1.0
            logs, coarse = [], []
            for row in ours:
                value = row["values"].get(name)
                if row["standing"] != "genuine" or value is None:
                    continue
                logs.append(log_ratio(value, row["own"].get(name, []), level))
                coarse.append(coarseness(scale_of(row)))
            if len(logs) < 4:
                print(light, name, "too few:", len(logs))
                continue
            slope = slope_of(np.array(coarse), np.array(logs))
            logs = np.array(logs) - slope * np.array(coarse)
            centre = float(np.median(logs))
            # The greater of the middle and the upper scatter: tails matter more than middles.
            spread = 1.4826 * float(np.median(np.abs(logs - centre)))
            upper = (float(np.percentile(logs, 95)) - centre) / 1.645
            # A scatter known from few photos is known badly.
            sure = 1 + 1 / np.sqrt(len(logs))
            held[light][name] = {
                "level": round(level, 5), "centre": round(centre, 4),
                "scale": round(float(max(spread, upper, 0.12) * sure), 4), "slope": round(slope, 4),
            }  # fmt: skip
            print(light, name, len(logs), held[light][name])
    path = Path(loupebook.compare.__file__).parent / "typical.json"
    known = json.loads(path.read_text())
    for light, figures in held.items():
        known[light].update(figures)
    path.write_text(json.dumps(known, indent=1) + "\n")
    loupebook.compare.usual._held.cache_clear()
    loupebook.compare.usual._typical.cache_clear()
    known["weights"] = weights_of([r for r in rows if r["registered"] and not r["poor"]])
    path.write_text(json.dumps(known, indent=1) + "\n")
    print("weights", known["weights"])


def weights_of(rows: list[dict]) -> dict[str, float]:
    """Weigh z by logistic regression of copy against genuine, none negative, ridge 0.1."""
    names = sorted({name for row in rows for name in zs_of(row)})
    z = np.array([[bounded(zs_of(row).get(name, 0.0)) for name in names] for row in rows])
    copy = np.array([row["standing"] == "fake" for row in rows], float)

    def loss(given: np.ndarray) -> tuple[float, np.ndarray]:
        weights, offset = given[:-1], given[-1]
        odds = z @ weights + offset
        miss = expit(odds) - copy
        value = float(np.mean(np.logaddexp(0, odds) - copy * odds) + RIDGE * np.sum(weights**2))
        return value, np.append(z.T @ miss / len(z) + 2 * RIDGE * weights, miss.mean())

    bounds = [(0, None)] * len(names) + [(None, None)]
    found = minimize(loss, np.zeros(len(names) + 1), jac=True, bounds=bounds, method="L-BFGS-B")
    return {name: round(float(w), 3) for name, w in zip(names, found.x, strict=False)}


def bounded(z: float) -> float:
    """Return a z within the bounds in which it counts."""
    return min(max(z, LEAST), GREATEST)


def slope_of(x: np.ndarray, y: np.ndarray) -> float:
    """Median slope of all pairs (Theil 1950), drawn towards 0, never negative."""
    first, second = np.triu_indices(len(x), 1)
    run = x[second] - x[first]
    far = np.abs(run) > 0.3
    if far.sum() < 8:
        return 0.0
    rise = (y[second] - y[first])[far] / run[far]
    return max(0.0, 0.8 * float(np.median(rise)))


def log_ratio(value: float, own: list[float], level: float) -> float:
    """Return the logarithm of a figure over its edition's level, as ``usual`` has it."""
    floor = 0.05 * level
    total = sum(np.log(max(v, 0) + floor) for v in own) + 2 * np.log(level + floor)
    return float(np.log(max(value, 0) + floor) - total / (len(own) + 2))


def scale_of(row: dict) -> float:
    """Return how finely a query shows the print, px a mm."""
    return row.get("px_per_mm") or row["ppm"]


def zs_of(row: dict) -> dict[str, float]:
    """Return the z of every figure taken."""
    uv = row["lighting"] == "uv-a"
    return {
        name: z_of(name, value, row["own"].get(name, ()), uv=uv, px_per_mm=scale_of(row))
        for name, value in row["values"].items()
        if value is not None and is_known(name, uv=uv)
    }


def score(zs: dict[str, float], *, without: str | None = None) -> float:
    """Return the overall z."""
    figures = [
        Figure(name, 0.0, "", z, Verdict.CANNOT_TELL) for name, z in zs.items() if name != without
    ]
    return overall(figures) if figures else UNTOLD


def auc(genuine: list[float], fake: list[float]) -> float:
    """Return the area under the curve; NaN where a side is empty."""
    if not genuine or not fake:
        return float("nan")
    return float(roc_auc_score([0] * len(genuine) + [1] * len(fake), genuine + fake))


def report(path: Path, out: Path | None = None) -> None:
    """Print the tables, and write them where told."""
    rows = load(path)
    for row in rows:
        row["z"] = zs_of(row)
        row["score"] = score(row["z"])
    lines = ["# The comparison on held-out rendered worlds", ""]
    lines += ["Every picture is rendered and invented; see `bench_compare.py` for the method.", ""]
    editions = len({r["edition"] for r in rows})
    lines += [f"{len(rows)} queries of {editions} editions, seeds not used in tuning.", ""]
    lines += registered_table(rows) + maps_table(rows) + false_table(rows)
    lines += auc_table(rows) + ablation_table(rows)
    text = "\n".join(lines) + "\n"
    print(text)
    if out is not None:
        out.write_text(text, encoding="utf-8")


def registered_table(rows: list[dict]) -> list[str]:
    """Share of queries that could be laid over their edition."""
    lines = ["## Registered", "", "| lighting | photos | n | registered |", "|---|---|---|---|"]
    for light in ("diffuse", "uv-a"):
        for label, poor in (("usable", False), ("taken badly", True)):
            group = [r for r in rows if r["lighting"] == light and r["poor"] == poor]
            if group:
                share = np.mean([r["registered"] for r in group])
                lines.append(f"| {light} | {label} | {len(group)} | {share:.1%} |")
    for row in rows:
        if not row["registered"]:
            lines.append(f"\nNot registered: {row['standing']} ({row['skill']}): {row['reason']}")
    return [*lines, ""]


def maps_table(rows: list[dict]) -> list[str]:
    """Average precision of maps by skill."""
    with_maps = [r for r in rows if r.get("maps")]
    if not with_maps:
        return []
    names = [name for name in with_maps[0]["maps"] if name != "share"]
    head = "| fakes | n | true share | " + " | ".join(names) + " |"
    lines = ["## Average precision of difference maps", "", head, "|---" * (len(names) + 3) + "|"]
    for skill in (*SKILLS, "all"):
        group = [r["maps"] for r in with_maps if skill in (r["skill"], "all")]
        if group:
            means = " | ".join(f"{np.mean([m[name] for m in group]):.3f}" for name in names)
            share = np.mean([m["share"] for m in group])
            lines.append(f"| {skill} | {len(group)} | {share:.3f} | {means} |")
    return [*lines, ""]


def false_table(rows: list[dict]) -> list[str]:
    """Share of queries with any 'differs', and by measurement."""
    lines = ["## Queries with a 'differs'", ""]
    lines += ["| queries | n | any | by measurement |", "|---|---|---|---|"]
    groups = {
        "genuine, usable": [r for r in rows if r["standing"] == "genuine" and not r["poor"]],
        "genuine, taken badly": [r for r in rows if r["standing"] == "genuine" and r["poor"]],
        **{f"fake, {s}": [r for r in rows if r["skill"] == s] for s in SKILLS},
    }
    for label, group in groups.items():
        group = [r for r in group if r["registered"]]
        if not group:
            continue
        counts: dict[str, int] = defaultdict(int)
        for row in group:
            for name, z in row["z"].items():
                counts[name] += z >= DIFFERS_FROM
        some = np.mean([any(z >= DIFFERS_FROM for z in r["z"].values()) for r in group])
        words = ", ".join(f"{n} {c}" for n, c in sorted(counts.items(), key=lambda x: -x[1]) if c)
        lines.append(f"| {label} | {len(group)} | {some:.1%} | {words or '–'} |")
    return [*lines, ""]


def auc_table(rows: list[dict]) -> list[str]:
    """AUC of genuine against fake of origins never seen, beside rivals."""
    scores = {
        "ours": lambda r: r["score"],
        "perceptual hash": lambda r: r["hash"],
        "SIFT inliers": lambda r: -r["sift"],
        "embedding distance": lambda r: -r["cosine"],
    }
    rows = [r for r in rows if r["registered"] and not r["poor"]]
    genuine = [r for r in rows if r["standing"] == "genuine"]
    fakes = [r for r in rows if r["standing"] == "fake"]
    lines = [
        "## AUC, genuine against fake of origins never seen", "",
        "Pooled over editions; registered, usable photos.", "",
        "| fakes | n | " + " | ".join(scores) + " |", "|---" * (len(scores) + 2) + "|",
    ]  # fmt: skip
    for skill in (*SKILLS, "all"):
        group = [r for r in fakes if skill in (r["skill"], "all")]
        values = [
            f"{auc([of(r) for r in genuine], [of(r) for r in group]):.3f}" for of in scores.values()
        ]
        lines.append(f"| {skill} | {len(group)} | " + " | ".join(values) + " |")
    hardest = sorted(fakes, key=lambda r: r["score"])[: len(fakes) // 3]
    by_us = auc([r["score"] for r in genuine], [r["score"] for r in hardest])
    lines += ["", f"The third of fakes that lie nearest by our own score: {by_us:.3f}.", ""]
    return lines


def ablation_table(rows: list[dict]) -> list[str]:
    """AUC with each measurement left out, and with each alone."""
    rows = [r for r in rows if r["registered"] and not r["poor"]]
    genuine = [r for r in rows if r["standing"] == "genuine"]
    fakes = [r for r in rows if r["standing"] == "fake"]
    hard = [r for r in fakes if r["skill"] in ("good", "very good")]
    lines = ["## Each measurement left out, and alone", ""]
    lines += ["| measurement | told | without: all | without: good and very good | alone |"]
    lines += ["|---|---|---|---|---|"]

    def both(without: str | None) -> tuple[float, float]:
        base = [score(r["z"], without=without) for r in genuine]
        return tuple(
            auc(base, [score(r["z"], without=without) for r in group]) for group in (fakes, hard)
        )

    every, harder = both(None)
    lines.append(f"| (none) | | {every:.3f} | {harder:.3f} | |")
    for name in sorted({n for r in rows for n in r["z"]}):
        every, harder = both(name)
        told = np.mean([name in r["z"] for r in rows])
        alone = auc(
            [r["z"][name] for r in genuine if name in r["z"]],
            [r["z"][name] for r in fakes if name in r["z"]],
        )
        lines.append(f"| {name} | {told:.0%} | {every:.3f} | {harder:.3f} | {alone:.3f} |")
    return [*lines, ""]
