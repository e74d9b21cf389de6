"""Every importer that we ship keeps the contract that a stranger's must keep."""

import pytest

from speclake.importing import choose, installed, load
from speclake.testing import check_importer
from tests.contracts.samples import SAMPLES, Sample

SHIPPED = sorted(each.name for each in installed() if each.origin.startswith("package speclake "))


def test_every_shipped_importer_loads_and_has_a_sample():
    importers = load()
    assert set(SHIPPED) <= set(importers.ready)
    assert set(SHIPPED) == set(SAMPLES)


@pytest.mark.parametrize(
    ("name", "sample"),
    [
        pytest.param(name, sample, id=f"{name}-{sample.source.name}")
        for name, samples in SAMPLES.items()
        for sample in samples
    ],
)
def test_it_keeps_its_contract_on_its_sample(name: str, sample: Sample):
    importer = load(only={name}).ready[name]
    check_importer(
        importer,
        sample.source,
        spectra=sample.spectra,
        open_ended=sample.open_ended,
        variants=1500,
    )


@pytest.mark.parametrize("name", SHIPPED)
def test_it_alone_claims_its_sample(name: str):
    importers = load(only=SHIPPED)
    for sample in SAMPLES[name]:
        assert choose(importers, sample.source).importer.name == name
