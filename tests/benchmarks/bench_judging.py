"""Two lists of ten requirements over 100,000 spectra, against the NumPy reductions they amount to.

Run: python tests/benchmarks/bench_judging.py
Both sides work on the same blocks in the same run. The baseline takes the reductions of each
requirement and nothing else: the least or the largest value of a slice, its mean (the sum of the
points over their number, less than the trapezoids that judging takes), one column, or for the
mixed list a weighted sum with weights that are ready, or a comparison of a slice with a level and
the first place where it turns. It looks for no missing value, no position, no gap, no last digit
exported, and decides nothing.
"""

import argparse
import time
from collections.abc import Callable
from functools import partial

import numpy as np

from speclake.judging import Conditions, judge_columns
from speclake.judging.conditions import Bandwidth
from speclake.judging.deciding import NOT_MEASURABLE
from speclake.specs import BandRequirement, Specification, ValueRequirement
from speclake.spectrum import Axis, SpectrumSet

BANDS = (
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

MIXED = """
name = "ten mixed requirements"

[[requirement]]
id = "lowest transmittance"
what = "minimum"
unit = "%T"
band = [650, 850]
at_least = 85.0

[[requirement]]
id = "mean transmittance"
what = "mean"
unit = "%T"
band = [650, 1050]
at_least = 90.0

[[requirement]]
id = "cut-on"
what = "cut-on"
of = "%T"
unit = "nm"
band = [450, 650]
level = 45
relative_to = "nothing"
at_least = 545.0
at_most = 555.0
largest_interval = 1
largest_bandwidth_nm = 2

[[requirement]]
id = "width"
what = "passband width"
of = "%T"
unit = "nm"
band = [450, 1250]
level = 50
relative_to = "peak"
peak = "sampled"
elsewhere_above = "refused"
at_least = 590
at_most = 610
largest_interval = 1
largest_bandwidth_nm = 2

[[requirement]]
id = "light transmittance"
what = "luminous mean"
method = "ISO 9050"
edition = "2003"
weights = "CIE illuminant D65 times V(lambda), 5 nm"
integration = "spectrum grid"
unit = "%T"
largest_interval = 1
at_least = 55

[[requirement]]
id = "solar transmittance"
what = "solar mean"
method = "ASTM E903"
edition = "2020"
weights = "ASTM G173-03 global"
integration = "spectrum grid"
unit = "%T"
band = [300, 2500]
largest_interval = 1
at_most = 60

[[requirement]]
id = "blocking"
what = "optical density"
definition = "minimum"
of = "%T"
unit = "OD"
band = [350, 520]
floor = 1e-5
largest_interval = 1
at_least = 2.0

[[requirement]]
id = "ripple"
what = "ripple"
definition = "peak to valley"
of = "%T"
unit = "%T"
band = [650, 1050]
at_most = 8.0

[[requirement]]
id = "tilt"
what = "slope"
definition = "least squares"
of = "%T"
unit = "%T/nm"
band = [650, 1050]
at_least = -0.01
at_most = 0.01

[[requirement]]
id = "colour"
what = "colour"
number = "L*"
of = "%T"
unit = "units"
illuminant = "D65"
observer = "CIE 1931 2 degree"
method = "summation"
interval = 5
band = [380, 780]
at_least = 70
"""


def of_bands() -> Specification:
    kinds = {"value": (ValueRequirement, "at")}
    requirements = []
    for number, (what, place, limits) in enumerate(BANDS):
        kind, key = kinds.get(what, (BandRequirement, "band"))
        requirements.append(
            kind(**{"id": f"r{number}", "what": what, "unit": "%T", key: place} | limits)
        )
    return Specification(name="ten requirements", requirement=tuple(requirements))


def plain_bands(axis: Axis, values: np.ndarray) -> list[np.ndarray]:
    found = []
    for what, place, _ in BANDS:
        if what == "value":
            found.append(values[:, int(np.searchsorted(axis.values, place))].copy())
            continue
        part = slice_of(axis, values, *place)
        reduce = {"minimum": part.min, "maximum": part.max, "mean": part.mean}[what]
        found.append(reduce(axis=1))
    return found


def plain_mixed(axis: Axis, values: np.ndarray) -> list[np.ndarray]:
    part = partial(slice_of, axis, values)
    weights = {size: np.linspace(0.5, 1.5, size) / size for size in (401, 2201)}
    edge = part(450, 650) >= 45
    whole = part(450, 1250)
    above = whole >= whole.max(axis=1, keepdims=True) / 2
    passband, visible = part(650, 1050), part(380, 780)
    return [
        part(650, 850).min(axis=1),
        passband.mean(axis=1),
        (~edge[:, :-1] & edge[:, 1:]).argmax(axis=1),
        (~above[:, :-1] & above[:, 1:]).argmax(axis=1)
        - (above[:, :-1] & ~above[:, 1:]).argmax(axis=1),
        (visible * weights[401]).sum(axis=1),
        (part(300, 2500) * weights[2201]).sum(axis=1),
        -np.log10(part(350, 520).max(axis=1) / 100),
        passband.max(axis=1) - passband.min(axis=1),
        (passband * weights[401]).sum(axis=1),
        np.stack([(visible * weights[401]).sum(axis=1) for _ in "XYZ"], axis=1),
    ]


def slice_of(axis: Axis, values: np.ndarray, low: float, high: float) -> np.ndarray:
    return values[:, np.searchsorted(axis.values, low) : 1 + np.searchsorted(axis.values, high)]


def coatings(rng: np.random.Generator, axis: Axis, n: int) -> np.ndarray:
    return np.round(90 + rng.normal(0, 1, (n, len(axis))), 3)


def filters(rng: np.random.Generator, axis: Axis, n: int) -> np.ndarray:
    """Passbands of about 600 nm, with the digits of an export."""
    cut_on, cut_off = 550 + rng.normal(0, 1, (n, 1)), 1150 + rng.normal(0, 1, (n, 1))
    x = axis.values
    curve = 90 / (1 + np.exp((cut_on - x) / 4)) / (1 + np.exp((x - cut_off) / 4))
    return np.round(curve + 0.02 + rng.normal(0, 0.01, (n, x.size)), 3)


def best_of_two(work: Callable[[], object]) -> float:
    taken = []
    for _ in range(2):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def compare(
    name: str,
    specification: Specification,
    plain: Callable[[Axis, np.ndarray], list[np.ndarray]],
    made: Callable[[np.random.Generator, Axis, int], np.ndarray],
    arguments: argparse.Namespace,
) -> None:
    axis = Axis(np.linspace(200.0, 2600.0, arguments.points), "nm", "air")
    rng = np.random.default_rng(7)
    bare = judged = 0.0
    done = 0
    while done < arguments.spectra:
        n = min(arguments.block, arguments.spectra - done)
        values = made(rng, axis, n)
        conditions = [
            Conditions(site=str(i % 49), angle_deg=0.0, bandwidths=(Bandwidth(200, 2600, 1.0),))
            for i in range(n)
        ]
        spectra = SpectrumSet(axis, values, "%T", tuple(map(str, range(n))))
        bare += best_of_two(partial(plain, axis, values))
        judged += best_of_two(partial(judge_columns, spectra, specification, conditions))
        done += n
    measurable = [
        float((each.outcome != NOT_MEASURABLE).mean())
        for each in judge_columns(spectra, specification, conditions).columns
    ]
    assert min(measurable) == 1, measurable
    print(f"{name}: {done} spectra of {arguments.points} points")
    print(f"plain NumPy reductions {bare:7.3f} s")
    print(f"judge_columns          {judged:7.3f} s   ratio {judged / bare:.2f} (to reach: 2)")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--spectra", type=int, default=100_000)
    parser.add_argument("--points", type=int, default=2_401)
    parser.add_argument("--block", type=int, default=10_000)
    arguments = parser.parse_args()
    mixed = Specification.from_toml_text(MIXED, "mixed")
    compare("ten of bands", of_bands(), plain_bands, coatings, arguments)
    compare("ten mixed", mixed, plain_mixed, filters, arguments)


if __name__ == "__main__":
    main()
