"""Monte Carlo uncertainties of an edge and a colour over 1,000 spectra, by 1,000 draws each.

Run: python -m tests.benchmarks.bench_uncertainty
The budget has noise that differs from point to point, a certificate that scales all values, and an
error of the wavelength scale. The same requirements are judged without a budget, for comparison.
"""

import argparse
import time

import numpy as np

from speclake.judging import Conditions, judge_columns
from speclake.judging.conditions import Bandwidth
from speclake.specs import Specification
from speclake.spectrum import Axis, SpectrumSet

LINES = [
    {"name": "noise", "source": "invented", "unit": "%T", "u": 0.05, "correlation": "none"},
    {
        "name": "certificate", "source": "invented", "unit": "% of the value", "u": 0.1,
        "correlation": "full",
    },
    {"name": "scale", "source": "invented", "unit": "nm", "u": 0.1, "correlation": "full"},
]  # fmt: skip
EDGE = {
    "id": "edge", "what": "cut-on", "of": "%T", "unit": "nm", "band": [500, 600], "level": 50,
    "relative_to": "nothing", "largest_interval": 1, "largest_bandwidth_nm": 2, "at_least": "540",
}  # fmt: skip
COLOUR = {
    "id": "colour", "what": "colour", "of": "%T", "unit": "units", "band": [380, 780],
    "number": "b*", "illuminant": "D65", "observer": "CIE 1964 10 degree", "method": "summation",
    "interval": 5, "at_least": "-200",
}  # fmt: skip


def taken(spectra: SpectrumSet, requirement: dict[str, object]) -> float:
    """Seconds that judging by one requirement takes."""
    specification = Specification.model_validate({"name": "one", "requirement": [requirement]})
    conditions = [Conditions(bandwidths=(Bandwidth(300, 900, 1.0),))] * len(spectra)
    start = time.perf_counter()
    (column,) = judge_columns(spectra, specification, conditions).columns
    seconds = time.perf_counter() - start
    assert not np.isnan(column.value).any()
    assert np.isnan(column.uncertainty.expanded).any() == ("uncertainty" not in requirement)
    return seconds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--spectra", type=int, default=1_000)
    parser.add_argument("--draws", type=int, default=1_000)
    arguments = parser.parse_args()
    n, rng = arguments.spectra, np.random.default_rng(7)
    axis = Axis(np.linspace(360.0, 830.0, 471), "nm", "air")
    places = rng.uniform(545.0, 555.0, (n, 1))
    values = 95.0 / (1.0 + np.exp(-(axis.values - places) / 4.0)) + rng.normal(0, 0.05, (n, 471))
    spectra = SpectrumSet(axis, values, "%T", tuple(map(str, range(n))))
    whole = 0.0
    print(f"{n} spectra of {len(axis)} points, {arguments.draws} draws")
    for requirement in (EDGE, COLOUR):
        plain = taken(spectra, requirement)
        budget = {"lines": LINES, "k": 2, "draws": arguments.draws}
        drawn = taken(spectra, {**requirement, "uncertainty": [budget]})
        print(f"{requirement['id']:8} without {plain:6.2f} s, with {drawn:6.2f} s")
        whole += drawn
    print(f"both with their uncertainties {whole:6.2f} s (to reach: less than 10 s)")


if __name__ == "__main__":
    main()
