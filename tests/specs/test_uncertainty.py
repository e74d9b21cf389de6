"""What a specification can say of uncertainties, and budgets in files."""

import re
from pathlib import Path

import pytest

from speclake.errors import BadSettings
from speclake.specs import Specification
from speclake.specs.budgets import with_budgets
from speclake.specs.requirements.uncertainty import Budget, BudgetLine, StatedUncertainty

PAGE = (Path(__file__).parents[2] / "docs" / "uncertainty.md").read_text("utf-8")
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)

WHOLE = """
name = "window"
[[requirement]]
id = "mean"
what = "mean"
unit = "%T"
band = [420, 680]
at_least = 92.00
[[requirement.uncertainty]]
k = 2
[[requirement.uncertainty.lines]]
name = "noise"
source = "12 scans of the check piece"
unit = "%T"
u = 0.05
correlation = "none"
"""
NAMED = WHOLE[: WHOLE.index("[[requirement.uncertainty.lines]]")] + 'budget = "bench"\n'
BENCH = """
title = "bench photometer (invented)"
source = "invented"
[[lines]]
name = "certificate"
source = "certificate 7 (invented)"
unit = "%T"
expanded = 0.20
k = 2
correlation = "full"
"""


def refused(text: str) -> str:
    with pytest.raises(BadSettings) as caught:
        Specification.from_toml_text(text, "window.toml")
    return str(caught.value)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (("k = 2\n", ""), "k = the coverage factor or coverage = a probability"),
        (("k = 2\n", "k = 2\ncoverage = 0.95\n"), "k = the coverage factor or coverage"),
        (("k = 2\n", "k = 2\nexpanded = 0.3\n"), "expanded, budget or lines, one of them"),
        (("k = 2\n", "k = 2\ndraws = 10\n"), "requirement.0.uncertainty.0.draws: found 10"),
        (("k = 2\n", "coverage = 95\n"), "less than 1"),
        (("u = 0.05\n", ""), "u = the standard uncertainty, or expanded with its k"),
        (("u = 0.05\n", "expanded = 0.1\n"), "k with expanded, and only so"),
        (("u = 0.05\n", "u = 0.05\nk = 2\n"), "k with expanded, and only so"),
        (('correlation = "none"\n', ""), "lines.0.correlation: found nothing"),
        (('"none"\n', '"exponential"\n'), "correlation_length_nm with"),
        (('"none"\n', '"none"\ncorrelation_length_nm = 4\n'), "correlation_length_nm with"),
        (('unit = "%T"\nu', 'unit = "nm"\nu'), 'correlation = "full" with unit = "nm"'),
        (('unit = "%T"\nu', 'unit = "%R"\nu'), "line 'noise' of the budget in %T"),
        (('unit = "%T"\nu', 'unit = "A"\nu'), "line 'noise' of the budget in %T"),
        (('source = "12 scans of the check piece"\n', ""), "lines.0.source: found nothing"),
        (("[[requirement.uncertainty.lines]]", "[[requirement.uncertainty]]\nk = 2\nlines = [{}]"
          "\n[requirement.ignored]"), "uncertainty.0"),
    ],
)  # fmt: skip
def test_what_cannot_be_said_is_refused_with_its_place(wrong, said):
    assert WHOLE.replace(*wrong) != WHOLE
    assert said in refused(WHOLE.replace(*wrong))


def test_two_tables_that_could_speak_of_one_spectrum_are_refused():
    plain = '[[requirement.uncertainty]]\nexpanded = 0.1\nk = 2\nsource = "invented"\n'
    text = WHOLE[: WHOLE.index("[[requirement.uncertainty]]")]
    classes = '[instrument_classes]\n"one" = ["bench 1"]\n"two" = ["bench 2"]\n'
    named = [plain + f'instrument_class = "{name}"\n' for name in ("one", "two")]
    assert len(Specification.from_toml_text(text + "".join(named) + classes, "w.toml").requirements)
    one = classes.splitlines(keepends=True)[:2]
    assert "instrument_classes with the instruments of 'two'" in refused(
        text + "".join(named) + "".join(one)
    )
    for tables in (plain * 2, named[0] * 2, plain + named[0]):
        assert "an instrument_class each of their own" in refused(text + tables + classes)


def test_a_number_alone_says_what_it_said_before():
    text = WHOLE[: WHOLE.index("[[requirement.uncertainty]]")] + "uncertainty = 0.30\n"
    found = Specification.from_toml_text(text, "w.toml")
    assert found.requirements[0].uncertainty == 0.30
    assert found.version == "17d2caa11357ef36d09f9e918a54ca01"


def test_a_budget_of_a_file_becomes_part_of_the_specification(tmp_path):
    (tmp_path / "bench.toml").write_text(BENCH, "utf-8")
    plain = Specification.from_toml_text(NAMED, "window.toml")
    assert plain.requirements[0].uncertainty[0].is_lacking
    found = with_budgets(plain, tmp_path, "window.toml")
    (statement,) = found.requirements[0].uncertainty
    assert not statement.is_lacking
    assert [line.standard for line in statement.budget_lines] == [0.10]
    assert with_budgets(found, tmp_path / "elsewhere", "window.toml") is found
    (tmp_path / "bench.toml").write_text(BENCH.replace("0.20", "0.24"), "utf-8")
    assert with_budgets(plain, tmp_path, "window.toml").version != found.version
    assert Specification.from_json(found.to_json()) == found


def test_a_budget_that_is_not_there_is_named(tmp_path):
    (tmp_path / "line.toml").write_text(BENCH, "utf-8")
    plain = Specification.from_toml_text(NAMED, "window.toml")
    with pytest.raises(BadSettings, match=r"'bench'.*the name of a file in budgets/: line"):
        with_budgets(plain, tmp_path, "window.toml")


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (("u", "w"), "bench.toml"),
        (('unit = "%T"', 'unit = "%R"'), "line 'certificate' of the budget in %T"),
        ((BENCH[BENCH.index("[[") :], ""), "lines"),
        ((BENCH, BENCH + BENCH[BENCH.index("[[") :]), "'certificate' stands twice"),
    ],
)
def test_a_budget_that_does_not_fit_is_refused(tmp_path, wrong, said):
    (tmp_path / "bench.toml").write_text(BENCH.replace(*wrong), "utf-8")
    plain = Specification.from_toml_text(NAMED, "window.toml")
    with pytest.raises(BadSettings) as caught:
        with_budgets(plain, tmp_path, "window.toml")
    assert said in str(caught.value)


def test_each_example_of_the_page_is_a_specification_or_a_budget(tmp_path):
    budgets = [text for text in EXAMPLES if "[[requirement]]" not in text]
    for text in budgets:
        name = re.match(r"# budgets/(.*)\.toml", text)
        (tmp_path / f"{name[1]}.toml").write_text(text, "utf-8")
    specifications = [text for text in EXAMPLES if text not in budgets]
    assert budgets
    assert specifications
    for text in specifications:
        plain = Specification.from_toml_text(text, "example.toml")
        found = with_budgets(plain, tmp_path, "example.toml")
        for requirement in found.requirements:
            stated = requirement.uncertainty
            assert not isinstance(stated, tuple) or not any(each.is_lacking for each in stated)


@pytest.mark.parametrize("model", [StatedUncertainty, Budget, BudgetLine])
def test_each_key_is_explained(model):
    missing = [key for key in model.model_fields if f"`{key}`" not in PAGE]
    # the table is put in when the file is read, never written by a person
    assert missing == [key for key in missing if key == "budget_table"]
