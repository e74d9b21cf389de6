"""A qualification run: the scans of one check, against its standard."""

from datetime import UTC

from speclake.errors import UnitError
from speclake.fitness.qualifying.lines import flatness, noise
from speclake.fitness.qualifying.photometric import check_sample, values
from speclake.fitness.qualifying.positions import band_positions
from speclake.fitness.qualifying.reading import Reading, Setup, not_measurable
from speclake.fitness.qualifying.repeated import drift, repeatability
from speclake.fitness.qualifying.resolution import resolution
from speclake.fitness.qualifying.scan import Scan
from speclake.fitness.qualifying.straylight import stray_light
from speclake.spectrum import SpectrumSet
from speclake.standards.certificates import Certificate
from speclake.standards.programmes import (
    AnyCheck,
    BandPositions,
    CheckSample,
    Drift,
    Flatness,
    Noise,
    Repeatability,
    Resolution,
    StrayLight,
    Values,
)


def qualify(
    check: AnyCheck, spectra: SpectrumSet, setup: Setup, standard: Certificate | None
) -> list[Reading]:
    """Numbers of one run of a check, at least one.

    Parameters
    ----------
    spectra : one scan, or for a check of several all that are at hand, the oldest first.
    standard : certificate that the check names; None for one without a standard or with a published
        table.

    Returns
    -------
    list of Reading
        What cannot be measured says why. A standard that is missing, or whose certificate does not
        hold on the day of the scan (in UTC), gives one such reading.

    Raises
    ------
    ValueError
        There are not as many times as scans, or more scans than the check takes, or none.
    """
    if len(setup.taken_at) != len(spectra) or not len(spectra):
        raise ValueError(f"{len(setup.taken_at)} times for {len(spectra)} scans")
    if len(spectra) > 1 and not check.of_several:
        raise ValueError(f"one scan for {check.what}, found {len(spectra)}")
    if isinstance(check, Drift):
        return drift(check, spectra, setup)
    if isinstance(check, Repeatability):
        return repeatability(check, spectra, setup)
    try:
        scan = Scan.of(spectra)
    except UnitError as error:
        return [not_measurable(str(error), _unit(check))]
    if not scan.nm.size:
        return [not_measurable("the scan has no values", _unit(check))]
    if isinstance(check, BandPositions | Values):
        return _of_standard(check, scan, setup, standard)
    stuck = _stuck(check, scan)
    if stuck is not None:
        return [not_measurable(stuck, _unit(check))]
    return _without_standard(check, scan)


def _of_standard(
    check: BandPositions | Values, scan: Scan, setup: Setup, standard: Certificate | None
) -> list[Reading]:
    missing = _missing(check, setup, standard)
    if missing is not None:
        return [not_measurable(missing, _unit(check))]
    if isinstance(check, Values):
        return values(check, scan, setup, standard)
    return band_positions(check, scan, setup, standard)


def _stuck(
    check: StrayLight | Resolution | Flatness | Noise | CheckSample, scan: Scan
) -> str | None:
    """Why nothing can be taken of values that are all the same; None where they are not."""
    if isinstance(check, Resolution) or check.band is None:
        return None
    values = scan.between(*check.band).values
    if not values.size or (values != values[0]).any():
        return None
    return (
        f"all {values.size} values in the band are {values[0]:g} {scan.unit}: nothing can be "
        "told of their noise"
    )


def _without_standard(
    check: StrayLight | Resolution | Flatness | Noise | CheckSample, scan: Scan
) -> list[Reading]:
    if isinstance(check, StrayLight):
        return stray_light(check, scan)
    if isinstance(check, Resolution):
        return resolution(check, scan)
    if isinstance(check, Flatness):
        return flatness(check, scan)
    return noise(check, scan) if isinstance(check, Noise) else check_sample(check, scan)


def _missing(
    check: BandPositions | Values, setup: Setup, standard: Certificate | None
) -> str | None:
    """Why a standard cannot be compared with, None where it can."""
    if check.published is not None:
        return None
    if standard is None:
        return f"there is no certificate of {check.standard}"
    day = setup.taken_at[0].astimezone(UTC).date()
    named = f"certificate of {standard.name} ({standard.certificate})"
    if not standard.is_valid_on(day):
        if day < standard.issued_on:
            return f"the {named} was issued on {standard.issued_on}, after the scan of {day}"
        return f"the {named} was valid until {standard.valid_until}, before the scan of {day}"
    has = standard.band if isinstance(check, BandPositions) else standard.value
    if not has:
        return f"the {named} states no {check.what}"
    return None


def _unit(check: AnyCheck) -> str:
    if isinstance(check, BandPositions):
        return "nm"
    return str(getattr(check, "unit", "") or "%")
