"""The page on specifications says every key, and its examples are specifications."""

import re
from pathlib import Path
from typing import get_args

import pytest

from speclake.specs import AnyRequirement, Needs, Requirement, Specification
from speclake.specs.requirements.over_sites import OverSites
from speclake.specs.requirements.several import AnyDrawnFrom
from speclake.specs.rollup import Repeats, Witness
from speclake.specs.sampling import Lot

DOCS = Path(__file__).parents[2] / "docs"
PAGE, QUANTITIES = DOCS / "specifications.md", DOCS / "quantities.md"
PAGES = (PAGE, QUANTITIES, DOCS / "parts-and-lots.md", DOCS / "combining.md")
EXAMPLES = re.findall(
    r"```toml\n(.*?)```", "".join(page.read_text("utf-8") for page in PAGES), re.DOTALL
)
KINDS = get_args(get_args(AnyRequirement)[0])
WAYS_TO_DRAW = get_args(get_args(AnyDrawnFrom)[0])


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda text: text.splitlines()[0])
def test_each_example_is_a_specification(example):
    found = Specification.from_toml_text(example, "example.toml")
    assert found.requirements


@pytest.mark.parametrize(
    "model",
    [Specification, Requirement, Needs, Repeats, Witness, Lot, OverSites, *KINDS, *WAYS_TO_DRAW],
)
def test_each_key_stands_in_an_example(model):
    written = "\n".join(EXAMPLES)
    missing = [
        key
        for key in model.model_fields
        if not re.search(rf"^(\[+)?{key}\b", written, re.MULTILINE)
    ]
    assert missing == []


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_of_number_is_defined(kind):
    page = QUANTITIES.read_text("utf-8")
    for what in get_args(kind.model_fields["what"].annotation):
        assert f'| `"{what}"`' in page or f', `"{what}"` |' in page


@pytest.mark.parametrize(
    "word",
    [
        "undecided", "not measurable", "incomplete", '"raw ratio"', '"ratio times certificate"',
        '"absolute"', '"rounded"', '"minimum"', '"maximum"', '"mean"', '"value"', '"um"', '"cm-1"',
        '"eV"', '"log(1/R)"', '"refused"', '"must be known"', '"allowed"', '"simple acceptance"',
        '"guarded acceptance"', '"guarded rejection"', '"non-binary"', '"u"', '"U"', '"in-house"',
        '"supplier proves conformity"', '"customer proves non-conformity"', '"vacuum"',
    ],
)  # fmt: skip
def test_each_word_that_a_key_may_have_is_explained(word):
    assert word in PAGE.read_text("utf-8")
