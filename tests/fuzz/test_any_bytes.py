"""Every importer, on its seeds, on what fuzzing once found, and on relatives of both.

``python -m tests.fuzz.run IMPORTER`` looks for more, for as long as it is told.
"""

import pytest

from speclake.importing import GuardedPool, Importer, Source
from tests.contracts.samples import SAMPLES
from tests.fuzz.seeds import cases
from tests.fuzz.target import MEMORY_MB, TIME_S, accepts, importer_named, mutations

VARIANTS = 400


def ready(name: str) -> Importer:
    """Start of a worker."""
    return importer_named(name)


def read(importer: Importer, item: tuple[Source, bytes]) -> bool:
    """What a worker does with one file."""
    return accepts(importer, *item)


@pytest.mark.parametrize("name", SAMPLES)
def test_it_reads_or_refuses_and_does_nothing_else(name: str) -> None:
    outcomes = set()
    for case in cases(name):
        with GuardedPool(
            initializer=ready, initargs=(name,), workers=1,
            time_limit_s=TIME_S, memory_limit_mb=MEMORY_MB,
        ) as pool:  # fmt: skip
            items = [(case.empty, content) for content in mutations(case, 7, VARIANTS)]
            for result in pool.map(read, items, name=lambda item: repr(item[1][:200])):
                assert result.error is None, f"{case.name}: {result.error}\n{result.traceback}"
                outcomes.add(result.value)
    assert outcomes == {True, False}
