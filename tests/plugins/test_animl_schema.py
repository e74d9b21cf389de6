"""The files of these tests are AnIML: valid by the public core schema, or invalid on purpose."""

from pathlib import Path

import pytest
from lxml import etree

from tests.contracts.samples import SAMPLES
from tests.plugins.animl_lab import lab_export
from tests.plugins.animl_schema import problems
from tests.plugins.test_animl_refusals import REFUSED

SEEDS = sorted((Path(__file__).parents[1] / "fuzz/seeds/animl").glob("*.animl"))

BY_STRUCTURE = [
    "an element in base64",
    "text between values",
    "an element in a number",
    "a value without a value set",
    "value sets of two kinds",
    "a start without an increment",
    "two numbers in a start",
    "a length that is none",
    "an unknown type",
    "an unknown dependency",
    "a misspelt element",
    "a method behind the result",
    "a method between results",
    "a misspelt part of the device",
    "two series sets",
    "a result outside a step",
    "another version",
    "another namespace",
]
"""Refused files that the schema refuses too; others are wrong in what it leaves open."""


@pytest.mark.parametrize("file", SEEDS, ids=lambda file: str(file.name))
def test_a_seed_is_valid(file: Path):
    assert problems(file.read_bytes()) == []


def test_there_are_seeds():
    assert len(SEEDS) >= 8


def test_the_samples_are_valid():
    for sample in SAMPLES["animl"]:
        assert problems(sample.source.content) == []


@pytest.mark.parametrize("name", BY_STRUCTURE)
def test_what_breaks_the_schema_is_known_to_break_it(name: str):
    assert problems(REFUSED[name][0])


def test_no_element_can_be_renamed_or_dropped_unseen():
    # the schema of these tests would be worth nothing if it let everything pass
    whole = etree.fromstring(lab_export())
    for name in ("ExperimentStepSet", "Series", "StartValue", "Name", "S"):
        altered = etree.fromstring(lab_export())
        found = next(altered.iter(f"{{{whole.nsmap[None]}}}{name}"))
        found.tag = f"{found.tag}s"
        assert problems(etree.tostring(altered)), name
