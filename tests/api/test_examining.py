"""The checks run again on what the archive holds."""

import numpy as np
import pytest

from speclake.checks import Check
from speclake.errors import NotFound
from tests.api.two_benches import NM, export, make


def test_the_checks_run_again_and_nothing_is_written(tmp_path):
    """A spike of 50 times the noise in the one, nothing in the other."""
    random = np.random.default_rng(8)
    quiet = 90 + random.normal(0, 0.02, NM.size)
    spiked = quiet + np.where(NM == 505, 1.0, 0.0)
    with make(tmp_path) as archive:
        export(tmp_path / "exports", "quiet", quiet, 1)
        export(tmp_path / "exports", "spiked", spiked, 2)
        archive.ingest([tmp_path / "exports"])
        ids = [archive.find(sample=name)["measurement_id"][0] for name in ("quiet", "spiked")]
        head = archive.store.head()
        found = archive.examine(ids)
        assert archive.store.head() == head
        assert list(found) == ids
        assert Check.SPIKE not in {each.check for each in found[ids[0]].findings}
        (spike,) = [each for each in found[ids[1]].findings if each.check is Check.SPIKE]
        assert spike.at == 505
        with pytest.raises(NotFound):
            archive.examine(["nothing"])
