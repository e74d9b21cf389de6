"""What the computation of a requirement is given."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from speclake.judging.conditions import Conditions
from speclake.quantities.values import Values
from speclake.spectrum import SpectrumSet


@dataclass(frozen=True)
class Partner:
    """Another measurement that a number draws on: a set of one spectrum, and how it was taken."""

    spectrum: SpectrumSet
    conditions: Conditions


Partners = Mapping[str, Partner | str]
"""By the name of a role the measurement that fills it, or in words why none does."""


@dataclass(frozen=True)
class Given:
    """What is known beside the spectra themselves.

    Parameters
    ----------
    conditions : how each spectrum was measured, in the order of the set.
    partners : for each spectrum what else a number of several measurements draws on; none where
        nobody looked.
    """

    conditions: Sequence[Conditions]
    partners: Sequence[Partners] = ()


Taker = Callable[[SpectrumSet, Any, Given], Values]
"""Numbers of a set, in the unit of a requirement.

The set holds only spectra that the requirement speaks of, on their own axis, in its `spectral_unit`
or, where it takes them `as_exported`, in their own unit. The number of one must not depend on the
others.
"""
