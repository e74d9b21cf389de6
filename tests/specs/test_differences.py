"""Two revisions of a specification, and what is told of how they differ."""

import json
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.specs import Specification
from speclake.specs.differences import differences

DOCS = Path(__file__).parents[2] / "docs"

TEXT = """\
name = "window-7"
revision = "B"
products = ["window-7"]
approved_on = 2026-03-01

[needs]
sites = ["1", "2"]

[[requirement]]
id = "T mean"
what = "mean"
unit = "%T"
band = [400, 700]
at_least = 92.0

[[requirement]]
id = "R maximum"
what = "maximum"
unit = "%R"
band = [400, 700]
at_most = 0.50
side = "front"
"""


def read(text=TEXT):
    return Specification.from_toml_text(text, "window.toml")


def changed(old, new):
    """Sentences on the revision in which a text is replaced."""
    assert TEXT.count(old) == 1
    return [each.sentence for each in differences(read(), read(TEXT.replace(old, new)))]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('side = "front"', 'side = "front"\nblocked_by = "noise"',
         "requirement 'R maximum': blocked_by changed from those of the specification to "
         '["noise"]'),
        ('revision = "B"', 'revision = "B"\nblocked_by = ["noise"]',
         'blocked_by changed from ["saturation", "identical values", "instrument unfit"] '
         '(left out) to ["noise"]'),
        ("92.0", "92.50",
         "requirement 'T mean': at_least raised from 92.0 %T to 92.50 %T (tighter)"),
        ("92.0", "91.5", "requirement 'T mean': at_least lowered from 92.0 %T to 91.5 %T (looser)"),
        ("0.50", "0.75",
         "requirement 'R maximum': at_most raised from 0.50 %R to 0.75 %R (looser)"),
        ("0.50", "0.5", "requirement 'R maximum': at_most is written 0.5 %R instead of 0.50 %R: "
                        "the same number, another last digit"),
        ('at_least = 92.0', 'at_least = 92.0\nat_most = 99.9',
         "requirement 'T mean': at_most 99.9 %T is new"),
        ('side = "front"', 'side = "back"',
         "requirement 'R maximum': side changed from \"front\" to \"back\""),
        ('side = "front"\n', "", "requirement 'R maximum': side \"front\" is gone"),
        ('at_least = 92.0', 'at_least = 92.0\nangle_tolerance_deg = 1.5',
         "requirement 'T mean': angle_tolerance_deg changed from 0.5 (left out) to 1.5"),
        ('id = "T mean"\nwhat = "mean"', 'id = "T mean"\nwhat = "median"',
         "requirement 'T mean': what changed from \"mean\" to \"median\""),
        ('unit = "%T"\nband = [400, 700]', 'unit = "%T"\nband = [400, 710.5]',
         "requirement 'T mean': band changed from [400, 700] to [400, 710.5]"),
        ('revision = "B"', 'revision = "C"', 'revision changed from "B" to "C"'),
        ('["window-7"]', '["window-7", "window-8"]', 'products: "window-8" is new'),
        ('sites = ["1", "2"]', "sites = 2", 'needs.sites changed from ["1", "2"] to 2'),
        ("2026-03-01", "2026-04-01", 'approved_on changed from "2026-03-01" to "2026-04-01"'),
        ('id = "T mean"', 'id = "T average"',
         "requirement 'T average': called 'T mean' before, and otherwise the same"),
    ],
)  # fmt: skip
def test_a_change_of_one_thing_is_one_sentence(old, new, said):
    assert changed(old, new) == [said]


def test_a_requirement_that_is_gone_or_new_is_told_with_what_it_asks_for():
    head, first, second = TEXT.split("[[requirement]]")
    shorter = read(f"{head}[[requirement]]{first}")
    whole = read()
    (gone,) = differences(whole, shorter)
    assert (gone.kind, gone.requirement) == ("removed", "R maximum")
    assert gone.words == f"is gone; it asked for {whole.requirements[1].description}"
    (new,) = differences(shorter, whole)
    assert (new.kind, new.words) == ("added", f"is new: {whole.requirements[1].description}")
    turned = read(f"{head}[[requirement]]{second}[[requirement]]{first}")
    assert [each.words for each in differences(whole, turned)] == [
        "the requirements stand in another order"
    ]


def test_rows_of_a_table_are_counted_under_the_name_of_their_source():
    rows = [[float(nm), 1.0] for nm in range(400, 700, 10)]

    def by(rows, source="lamp of spring"):
        table = {"kind": "density", "unit": "nm", "source": source, "rows": rows}
        return Specification.model_validate(
            {
                "name": "lamp",
                "requirement": [
                    {
                        "id": "by lamp", "what": "weighted mean", "unit": "%T", "at_least": "90",
                        "method": "in-house", "edition": "1", "weights": "lamp",
                        "integration": "table grid", "largest_interval": 10, "table": table,
                    }
                ],
            }
        )  # fmt: skip

    later = [*rows[1:5], [450.0, 1.25], *rows[6:], [700.0, 1.0], [710.0, 1.0]]
    (told,) = differences(by(rows), by(later))
    assert told.key == "table.rows"
    assert told.words == (
        "table.rows (lamp of spring): of 30 rows 1 changed, 2 added, 1 gone; "
        "at 450 1.25 instead of 1"
    )
    (told,) = differences(by(rows), by(rows, source="lamp of autumn"))
    assert told.words == 'table.source changed from "lamp of spring" to "lamp of autumn"'


EDGE = """\
name = "filter"
[[requirement]]
id = "edge"
what = "cut-on"
of = "%T"
unit = "nm"
band = [500, 600]
level = 50
relative_to = "nothing"
largest_bandwidth_nm = 2
largest_interval = 1
target = 550.0
tolerance = 2.0
"""


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("target = 550.0", "target = 552.0", [
            "target changed from 550.0 nm to 552.0 nm",
            "lower limit raised from 548.0 nm to 550.0 nm (tighter)",
            "upper limit raised from 552.0 nm to 554.0 nm (looser)"]),
        ("tolerance = 2.0", "tolerance = [1.0, 2.5]", [
            "tolerance changed from ±2.0 nm to −1.0 nm, +2.5 nm",
            "lower limit raised from 548.0 nm to 549.0 nm (tighter)",
            "upper limit raised from 552.0 nm to 552.5 nm (looser)"]),
        ("tolerance = 2.0", "tolerance = 2.0\nuncertainty = 0.3", ["uncertainty 0.3 is new"]),
        ("target = 550.0\ntolerance = 2.0", "at_least = 547.0\nat_most = 552.0", [
            "at_least 547.0 nm is new", "at_most 552.0 nm is new",
            "target 550.0 nm is gone", "tolerance ±2.0 nm is gone",
            "lower limit lowered from 548.0 nm to 547.0 nm (looser)"]),
    ],
)  # fmt: skip
def test_target_and_tolerance_are_told_as_written(old, new, said):
    told = differences(read(EDGE), read(EDGE.replace(old, new)))
    assert [each.words for each in told] == said


BUDGET = (
    EDGE
    + """
[[requirement.uncertainty]]
coverage = 0.95
lines = [
  { name = "scale", source = "lamp lines", unit = "nm", u = 0.10, correlation = "full" },
  { name = "noise", source = "12 repeats", unit = "%T", u = 0.05, correlation = "none" },
]
"""
)


def test_lines_of_a_budget_are_found_by_their_names():
    turned = BUDGET.replace("u = 0.10", "u = 0.2").replace("12 repeats", "20 repeats")
    assert [each.words for each in differences(read(BUDGET), read(turned))] == [
        "uncertainty: lines 'scale': u changed from 0.1 to 0.2",
        'uncertainty: lines \'noise\': source changed from "12 repeats" to "20 repeats"',
    ]


PAGES = ("specifications", "quantities", "uncertainty", "parts-and-lots", "combining")
EXAMPLES = [
    found
    for page in PAGES
    for text in re.findall(
        r"```toml\n(.*?)```", (DOCS / f"{page}.md").read_text("utf-8"), re.DOTALL
    )
    if "[[requirement]]" in text
    for found in [Specification.from_toml_text(text, page)]
]


@pytest.mark.parametrize("before", EXAMPLES, ids=lambda each: each.name)
def test_every_example_differs_from_the_others_and_not_from_itself(before):
    assert differences(before, Specification.from_json(before.to_json())) == ()
    for after in EXAMPLES:
        told = differences(before, after)
        assert (told == ()) == (before.version == after.version)
        assert all(each.sentence.strip() for each in told)


# any specification against any other

LIMITS = st.decimals(min_value="0.01", max_value="99", places=2).map(str)
REQUIREMENTS = st.fixed_dictionaries(
    {
        "what": st.sampled_from(["minimum", "maximum", "mean", "median"]),
        "unit": st.sampled_from(["%T", "T", "A"]),
        "band": st.sampled_from([[400, 700], [400.0, 700.5], [0.4, 0.7]]),
        "at_least": LIMITS,
    },
    optional={
        "angle_deg": st.sampled_from([0.0, 8.0, 45.0]),
        "angle_tolerance_deg": st.sampled_from([0.5, 1.0]),
        "sites": st.lists(st.sampled_from("abc"), max_size=3),
        "side": st.sampled_from(["front", "back"]),
        "decision": st.sampled_from(["absolute", "rounded"]),
        "after_smoothing": st.fixed_dictionaries(
            {"window": st.sampled_from([5.0, 10.0]), "degree": st.integers(0, 3)}
        ),
        "note": st.sampled_from(["", "as drawn"]),
    },
)
SPECIFICATIONS = st.fixed_dictionaries(
    {
        "name": st.sampled_from(["a", "b"]),
        "requirement": st.dictionaries(
            st.sampled_from(["r1", "r2", "r3", "r4"]), REQUIREMENTS, min_size=1
        ).map(lambda named: [{"id": name, **each} for name, each in named.items()]),
    },
    optional={
        "products": st.lists(st.sampled_from("abc"), max_size=3),
        "effective_from": st.sampled_from(["2026-01-01", "2026-02-01"]),
        "needs": st.fixed_dictionaries(
            {}, optional={"sites": st.integers(1, 3), "angle_tolerance_deg": st.just(0.25)}
        ),
    },
).map(Specification.model_validate)

OPPOSITE = {"added": "removed", "removed": "added", "changed": "changed"}


@settings(max_examples=300, deadline=None)
@given(SPECIFICATIONS, SPECIFICATIONS)
def test_differences_are_told_exactly_where_versions_differ(before, after):
    told = differences(before, after)
    assert (told == ()) == (before.version == after.version)
    assert len(set(told)) == len(told)
    back = differences(after, before)
    assert sorted((OPPOSITE[each.kind], each.key) for each in back) == sorted(
        (each.kind, each.key) for each in told
    )


@settings(max_examples=200, deadline=None)
@given(SPECIFICATIONS, SPECIFICATIONS)
def test_all_keys_that_differ_are_named(before, after):
    """The keys told are those that a plain comparison of the contents finds."""
    old, new = (json.loads(each.to_json()) for each in (before, after))
    named = {each.key.split(".")[0] for each in differences(before, after) if not each.requirement}
    assert named - {"requirement"} == {
        key for key in new if key != "requirement" and old[key] != new[key]
    }
    by_id = {each["id"]: each for each in old["requirement"]}
    for each in new["requirement"]:
        if (earlier := by_id.get(each["id"])) is None:
            continue
        found = {
            told.key.split(".")[0]
            for told in differences(before, after)
            if told.requirement == each["id"]
        }
        keys = each.keys() | earlier.keys()
        assert found == {key for key in keys if each.get(key) != earlier.get(key)}
