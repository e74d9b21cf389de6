"""All checks of every spectrum, against a Savitzky-Golay pass over the same array.

Run: OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.bench_fitness
The spectra are invented and have nothing wrong: flat parts, edges, band passes, fringes, absorbing
glass and blocking filters of 2,401 points with the noise of two detectors, three digits exported.
To reach: 5,000 spectra a second on one core. Times are those of the processor, over all threads of
this process, so that other work counts little. The baseline smooths with 11 points and a cubic,
and looks at nothing.
"""

import argparse
import time
from collections import Counter

import numpy as np
from scipy.signal import savgol_filter

from speclake.fitness import examine
from speclake.fitness.circumstances import ChangeOver, Circumstances, UsualNoise
from speclake.fitness.examining import BLOCK, CHECKS
from speclake.fitness.subject import Subject
from speclake.measurement import Kind, Range
from speclake.settings import Fitness
from speclake.spectrum import SpectrumSet
from tests.fitness.simulated import NM, SHAPES, simulated, spectra_of

KNOWN = Circumstances(
    kind=Kind.PART,
    instrument="bench A",
    accessory="straight beam",
    last_digit=0.001,
    ranges=(Range(300.0, 860.0, 2.0, 1.0), Range(860.0, 2700.0, 4.0, 1.0)),
    changeovers=(ChangeOver(350.0, "common practice"), ChangeOver(860.0, "header")),
    usual_noise=(
        UsualNoise(350.0, 860.0, 0.03, 0.004, 50, "%T"),
        UsualNoise(860.0, 2700.0, 0.08, 0.01, 50, "%T"),
    ),
)


def invented(n: int) -> SpectrumSet:
    """Spectra of all shapes in a mixed order."""
    each = -(-n // len(SHAPES))
    values = np.concatenate([simulated(s, each, k).values for k, s in enumerate(SHAPES)])
    return spectra_of(np.random.default_rng(7).permutation(values)[:n])


def by_check(spectra: SpectrumSet) -> Counter[str]:
    """Seconds of each check, in the blocks that examining works in."""
    spent: Counter[str] = Counter()
    for first in range(0, len(spectra), BLOCK):
        rows = slice(first, first + BLOCK)
        some = SpectrumSet(spectra.axis, spectra.values[rows], spectra.unit, spectra.keys[rows])
        subject = Subject(some, [KNOWN] * len(some), Fitness())
        for check in CHECKS:
            start = time.process_time()
            for _ in check(subject):
                pass
            spent[f"{check.__module__.rpartition('.')[2]}.{check.__name__}"] += (
                time.process_time() - start
            )
    return spent


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--spectra", type=int, default=5_000)
    parser.add_argument("--rounds", type=int, default=3)
    arguments = parser.parse_args()
    n = arguments.spectra
    spectra = invented(n)
    examine(spectra_of(spectra.values[:BLOCK]), [KNOWN] * min(BLOCK, n), Fitness())  # imports
    print(f"{n} spectra of {NM.size} points, the best of {arguments.rounds} rounds")
    checks, baseline = [], []
    for _ in range(arguments.rounds):
        start = time.process_time()
        examined = examine(spectra, [KNOWN] * n, Fitness())
        checks.append(time.process_time() - start)
        start = time.process_time()
        for first in range(0, n, BLOCK):
            savgol_filter(spectra.values[first : first + BLOCK], 11, 3, axis=1)
        baseline.append(time.process_time() - start)
    assert len(examined) == n
    quickest, plain = min(checks), min(baseline)
    print(f"all checks           {n / quickest:8.0f} spectra/s (to reach: 5,000)")
    print(f"Savitzky-Golay pass  {n / plain:8.0f} spectra/s")
    print(f"ratio                {quickest / plain:8.1f} times the time of the pass")
    found = Counter(finding.check.value for each in examined for finding in each.findings)
    print(f"findings with nothing wrong: {dict(found) or 'none'}")
    for name, seconds in by_check(spectra).most_common():
        print(f"  {name:32} {1e6 * seconds / n:7.1f} microseconds a spectrum")


if __name__ == "__main__":
    main()
