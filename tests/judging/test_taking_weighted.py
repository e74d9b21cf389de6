"""Weighted means through specifications: the sentence names method, edition, table and rule."""

import numpy as np
import pytest

from speclake.errors import BadSettings, NotFound
from speclake.judging import Conditions, explain, judge
from speclake.quantities.tables import SHIPPED
from speclake.specs import Outcome, Specification
from speclake.specs.requirements.weighted import SHIPPED_TABLES, WeightedRequirement
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(300.0, 2501.0)
TABLE = '{ kind = "lines", unit = "nm", source = "lamp 7", rows = [[404.5, 1], [546, 3]] }'


def specification(**keys: str) -> Specification:
    said = {
        "what": '"solar mean"',
        "method": '"ASTM E903"',
        "edition": '"2020"',
        "weights": '"ASTM G173-03 global"',
        "integration": '"table grid"',
        "unit": '"%T"',
        "largest_interval": "5",
        "at_least": "50",
    } | keys
    lines = "\n".join(f"{key} = {value}" for key, value in said.items() if value)
    return Specification.from_toml_text(f'name = "s"\n[[requirement]]\nid = "r"\n{lines}\n', "s")


def verdict_of(spec: Specification, values=None, unit="%T"):
    values = np.full(GRID.size, 62.5) if values is None else values
    spectra = SpectrumSet(Axis(GRID, "nm"), np.array([values]), unit, ("m",))
    (verdict,) = judge(spectra, spec, [Conditions()])
    return verdict


def test_both_lists_of_tables_are_one():
    assert set(SHIPPED_TABLES) == set(SHIPPED)


def test_the_sentence_names_what_was_used():
    verdict = verdict_of(specification(band="[300, 2500]"))
    assert explain(verdict) == (
        "Solar mean of transmittance by ASTM E903 (2020), weights ASTM G173-03 global, trapezoids "
        "on the grid of the table from 300 nm to 2500 nm, at least 50 %T: found 62.5 %T, 12.5 %T "
        "inside the limit: pass."
    )


def test_a_table_from_memory_says_so_in_the_verdict():
    spec = specification(weights='"EN 410 table 2, from memory"', integration='"sum"')
    verdict = verdict_of(spec)
    assert verdict.outcome is Outcome.PASS
    assert "from memory" in explain(verdict)


def test_a_missing_part_is_not_measurable_unless_the_specification_fills_it():
    verdict = verdict_of(specification())
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    assert "0.777 % lies outside" in verdict.reason
    filled = verdict_of(specification(fill='"end value"', fill_up_to="1"))
    assert filled.value == 62.5
    assert "standing in for up to 1 % of the weight" in explain(filled)


def test_an_absorbance_is_weighed_as_transmittance():
    verdict = verdict_of(specification(band="[300, 2500]"), np.full(GRID.size, 0.301), "A")
    assert verdict.value == pytest.approx(100 * 10**-0.301)


def test_lines_of_a_lamp():
    spec = specification(what='"weighted mean"', weights='"lamp"', integration='"sum"', table=TABLE)
    verdict = verdict_of(spec, GRID / 10)
    assert verdict.value == pytest.approx((40.45 + 3 * 54.6) / 4)
    assert "weights lamp (lamp 7), weighted sum" in explain(verdict)


def test_a_table_that_nobody_put_in_is_no_verdict():
    with pytest.raises(NotFound, match=r"weights/lamp\.csv"):
        verdict_of(specification(weights='"lamp"'))


def test_the_numbers_of_a_table_are_in_the_version():
    keys = {"what": '"weighted mean"', "weights": '"lamp"', "integration": '"sum"'}
    one = specification(**keys, table=TABLE)
    other = specification(**keys, table=TABLE.replace("546, 3", "546, 3.1"))
    assert one.version != other.version
    again = Specification.from_json(one.to_json())
    assert again.version == one.version
    assert isinstance(again.requirements[0], WeightedRequirement)


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"integration": '"sum"'}, '"table grid" or "spectrum grid"'),
        ({"what": '"luminous mean"'}, "weights of CIE illuminant A"),
        ({"what": '"ultraviolet mean"'}, "the ultraviolet part"),
        ({"fill": '"zero"'}, "fill together with fill_up_to"),
        ({"axis_unit": '"um"'}, 'axis_unit = "nm"'),
        ({"table": TABLE}, "no table of its own"),
        ({"unit": '"A"'}, "unit"),
        ({"largest_interval": ""}, "largest_interval"),
        (
            {"weights": '"lamp"', "integration": '"sum"', "medium": '"air"',
             "table": TABLE.replace('unit = "nm"', 'unit = "nm", medium = "vacuum"')},
            "no medium but vacuum",
        ),
        (
            {"weights": '"lamp"', "integration": '"sum"', "table": TABLE.replace("404.5", "600")},
            "each position above",
        ),
        (
            {"weights": '"lamp"', "integration": '"sum"',
             "table": TABLE.replace(", 1]", ", 0]").replace(", 3]", ", 0]")},
            "weight above zero",
        ),
    ],
)  # fmt: skip
def test_what_does_not_fit_together_is_refused(keys, said):
    with pytest.raises(BadSettings) as caught:
        specification(**keys)
    assert said in str(caught.value)
