"""Ten requirements over 100,000 spectra, against the plain NumPy reductions they amount to.

Run: python tests/benchmarks/bench_judging.py
Both sides work on the same blocks in the same run. The baseline takes one reduction a requirement:
the least or the largest value of a slice, its mean (the sum of the points over their number, less
than the trapezoids that judging takes), or one column; it looks for no missing value, no position,
no gap, and decides nothing.
"""

import argparse
import time
from collections.abc import Callable
from functools import partial

import numpy as np

from speclake.judging import Conditions, judge_columns
from speclake.specs import BandRequirement, Specification, ValueRequirement
from speclake.spectrum import Axis, SpectrumSet

REQUIREMENTS = (
    ("minimum", (400, 700), {"at_least": "85.0"}),
    ("mean", (400, 700), {"at_least": "90.00", "decision": "rounded"}),
    ("maximum", (400, 700), {"at_most": "99.9"}),
    ("minimum", (450.25, 650.75), {"at_least": "86.0", "uncertainty": 0.3}),
    ("mean", (800, 1600), {"at_least": "88", "at_most": "96"}),
    ("maximum", (1600, 2400), {"at_most": "99.95"}),
    ("mean", (300, 380), {"at_most": "95.0"}),
    ("minimum", (1000, 1100), {"at_least": "80"}),
    ("value", 550, {"at_least": "89.5"}),
    ("value", 1064.5, {"at_least": "88.0"}),
)


def specification() -> Specification:
    kinds = {"value": (ValueRequirement, "at")}
    requirements = []
    for number, (what, place, limits) in enumerate(REQUIREMENTS):
        kind, key = kinds.get(what, (BandRequirement, "band"))
        requirements.append(
            kind(**{"id": f"r{number}", "what": what, "unit": "%T", key: place} | limits)
        )
    return Specification(name="ten requirements", requirement=tuple(requirements))


def plain(axis: Axis, values: np.ndarray) -> list[np.ndarray]:
    found = []
    for what, place, _ in REQUIREMENTS:
        if what == "value":
            found.append(values[:, int(np.searchsorted(axis.values, place))].copy())
            continue
        part = values[
            :, np.searchsorted(axis.values, place[0]) : 1 + np.searchsorted(axis.values, place[1])
        ]
        reduce = {"minimum": part.min, "maximum": part.max, "mean": part.mean}[what]
        found.append(reduce(axis=1))
    return found


def best_of_two(work: Callable[[], object]) -> float:
    taken = []
    for _ in range(2):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--spectra", type=int, default=100_000)
    parser.add_argument("--points", type=int, default=2_401)
    parser.add_argument("--block", type=int, default=10_000)
    arguments = parser.parse_args()
    axis = Axis(np.linspace(200.0, 2600.0, arguments.points), "nm", "air")
    spec, rng = specification(), np.random.default_rng(7)
    bare = judged = 0.0
    done = 0
    while done < arguments.spectra:
        n = min(arguments.block, arguments.spectra - done)
        values = np.round(90 + rng.normal(0, 1, (n, arguments.points)), 3)
        conditions = [Conditions(site=str(i % 49), angle_deg=0.0) for i in range(n)]
        spectra = SpectrumSet(axis, values, "%T", tuple(map(str, range(n))))
        bare += best_of_two(partial(plain, axis, values))
        judged += best_of_two(partial(judge_columns, spectra, spec, conditions))
        done += n
    print(f"{done} spectra of {arguments.points} points, {len(REQUIREMENTS)} requirements")
    print(f"plain NumPy reductions {bare:7.3f} s")
    print(f"judge_columns          {judged:7.3f} s   ratio {judged / bare:.2f} (to reach: 2)")


if __name__ == "__main__":
    main()
