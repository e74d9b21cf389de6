"""How often the checks of every spectrum are wrong, and from what size on they find something.

Run: python -m tests.benchmarks.false_alarms
Every spectrum of the first table has nothing wrong; a finding in it is a false alarm. Rates are
told as alarms a day of 300 scans. The second table puts one thing wrong into spectra, of a size in
standard deviations of the local noise, and tells the share that is found at its place. The third
lists what is said of real spectra. The tables are Markdown, as docs/fitness.md shows them.
"""

import argparse
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from speclake.checks import Check
from speclake.fitness import Circumstances, examine
from speclake.fitness.circumstances import ChangeOver, UsualNoise
from speclake.fitness.falsealarms import share
from speclake.measurement import Kind, Range
from speclake.settings import Fitness
from speclake.spectrum import FloatArray, SpectrumSet
from tests.fitness.simulated import (
    DETECTORS,
    NM,
    SHAPES,
    Detector,
    open_spectra,
    simulated,
    spectra_of,
)

LIMITS = Fitness()
SCANS = LIMITS.scans_a_day
NOISY = DETECTORS["noisy, as computed"]


def told(detector: Detector, changeovers: Sequence[float] = (350.0, 860.0)) -> Circumstances:
    """What an ordinary lab would know of its scans."""
    return Circumstances(
        kind=Kind.PART,
        instrument="bench A",
        accessory="straight beam",
        last_digit=None if detector.decimals is None else 10.0**-detector.decimals,
        ranges=(Range(300.0, 860.0, 2.0, 1.0), Range(860.0, 2700.0, 4.0, 1.0)),
        changeovers=tuple(ChangeOver(at, "settings") for at in changeovers),
        usual_noise=(
            UsualNoise(300.0, 860.0, detector.visible, 0.1 * detector.visible, 50, "%T"),
            UsualNoise(860.0, 2700.0, detector.infrared, 0.1 * detector.infrared, 50, "%T"),
        ),
    )


def smoothed(shape: str, n: int, seed: int) -> SpectrumSet:
    """Spectra whose neighbours share their noise: running means over five points."""
    rng = np.random.default_rng(seed)
    wide = np.cumsum(rng.standard_normal((n, NM.size + 5)), axis=1)
    noise = (wide[:, 5:] - wide[:, :-5]) / 5
    return spectra_of(np.round(SHAPES[shape](rng, n) + 0.05 * noise, 3))


def false_alarms(n: int) -> None:
    names = [*DETECTORS, "smoothed over 5 points"]
    counts: dict[str, Counter[str]] = {name: Counter() for name in names}
    for number, shape in enumerate(SHAPES):
        for column, name in enumerate(names):
            seed = 1000 + 100 * column + number
            detector = DETECTORS.get(name, Detector(0.0224, 0.0224))
            drawn = smoothed(shape, n, seed) if name not in DETECTORS else None
            spectra = drawn or simulated(shape, n, seed, detector)
            for one in examine(spectra, [told(detector)] * n, LIMITS):
                checks = {finding.check.value for finding in one.findings}
                counts[name].update(checks)
                counts[name]["any of them"] += bool(checks)
    scans = n * len(SHAPES)
    print(f"{scans} spectra a column; alarms a day of {SCANS} scans\n")
    print("| check | " + " | ".join(names) + " |")
    print("| --- |" + " --- |" * len(names))
    for check in sorted({key for each in counts.values() for key in each}, key=_last):
        rates = (SCANS * counts[name][check] / scans for name in names)
        print(f"| `{check}` | " + " | ".join(f"{rate:.2g}" for rate in rates) + " |")
    print(f"\nbudget {LIMITS.false_alarms_a_day:g}, of one detector {SCANS * share(LIMITS):.3f}\n")


def _last(check: str) -> tuple[bool, str]:
    return check == "any of them", check


# what is found

Damage = Callable[[FloatArray, float, np.random.Generator], tuple[FloatArray, FloatArray]]
"""Values, size in standard deviations, draws: the values with something wrong, and the places."""


def _spike(values: FloatArray, size: float, rng: np.random.Generator) -> tuple:
    at = rng.integers(20, 540, len(values))
    changed = values.copy()
    changed[np.arange(len(values)), at] += size * NOISY.visible * rng.choice([-1, 1], len(values))
    return changed, NM[at]


def _step(values: FloatArray, size: float, rng: np.random.Generator) -> tuple:
    sign = rng.choice([-1, 1], (len(values), 1))
    return values + size * NOISY.visible * sign * (NM >= 600), np.full(len(values), 600.0)


def _slope(values: FloatArray, size: float, rng: np.random.Generator) -> tuple:
    sign = rng.choice([-1, 1], (len(values), 1))
    bent = np.clip(NM - 600, 0, None) / 10 * size * NOISY.visible
    return values + sign * bent, np.full(len(values), 600.0)


def _offset(values: FloatArray, size: float, rng: np.random.Generator) -> tuple:
    changed = values.copy()
    level = rng.standard_normal((len(values), 200)) - size
    changed[:, 300:500] = NOISY.visible * level
    return changed, np.full(len(values), np.nan)


WRONG: dict[str, tuple[Check, Damage, Sequence[float], str]] = {
    "spike of one point": (Check.SPIKE, _spike, (6, 9, 12, 15), "height"),
    "step in level at a change-over": (Check.CHANGE_OVER, _step, (1, 1.5, 2, 3), "height"),
    "step in slope at a change-over": (Check.CHANGE_OVER, _slope, (1, 2, 3, 6), "gain over 10 nm"),
    "200 points below zero": (Check.OFFSET, _offset, (0.5, 0.75, 1, 1.5), "mean"),
}


def detection(n: int) -> None:
    """Share found at its place, over parts that are flat, fringed and absorbing."""
    print(f"{n} spectra of each shape; size in standard deviations of the local noise\n")
    print("| what is wrong | size | share found: flat | fringes | absorbing glass |")
    print("| --- | --- | --- | --- | --- |")
    known = told(NOISY, (600.0,))
    known = replace(known, usual_noise=())
    for name, (check, damage, sizes, of) in WRONG.items():
        for size in sizes:
            shares = []
            for shape in ("flat", "fringes", "absorbing glass"):
                # the same noise below and above the place
                spectra = simulated(shape, n, 11, replace(NOISY, infrared=NOISY.visible))
                values, places = damage(spectra.values, size, np.random.default_rng(5))
                examined = examine(spectra_of(values), [known] * n, LIMITS)
                shares.append(
                    np.mean([
                        any(
                            f.check == check and (np.isnan(at) or f.at == at)
                            for f in one.findings
                        )
                        for one, at in zip(examined, places, strict=True)
                    ])
                )  # fmt: skip
            print(f"| {name} | {of} {size:g} | " + " | ".join(f"{s:.2f}" for s in shares) + " |")
    print()


def real() -> None:
    """What is said of real spectra, with nothing told of them."""
    print("| real spectrum | check | weighs | what is said |")
    print("| --- | --- | --- | --- |")
    looked_at = silent = 0
    for name, spectrum in open_spectra():
        looked_at += 1
        (one,) = examine(SpectrumSet.of([spectrum]), [Circumstances()], LIMITS)
        silent += not one.findings
        for f in one.findings:
            print(f"| {name} | `{f.check.value}` | {f.severity.value} | {f.text} |")
    print(f"\n{looked_at} real spectra, nothing to say of {silent}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--spectra", type=int, default=3_000, help="of each shape and detector")
    parser.add_argument("--damaged", type=int, default=400, help="of each shape and size")
    arguments = parser.parse_args()
    false_alarms(arguments.spectra)
    detection(arguments.damaged)
    real()


if __name__ == "__main__":
    main()
