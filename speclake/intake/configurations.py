"""What an instrument was set to when it scanned: by header, else method, else dated settings."""

import re
from datetime import date

from speclake.settings import Configuration, Settings

CHANGEOVERS = "changeovers_nm"
"""Field that states at which wavelengths something changed over."""

SHORTEST_NM, LONGEST_NM = 100.0, 50_000.0
"""Wavelengths that a change-over may have."""


def configuration_in_force(
    settings: Settings,
    instrument: str | None,
    accessory: str | None,
    quantity: str,
    method: str | None,
    day: date,
) -> Configuration | None:
    """Configuration that holds for a scan, None where the settings have none.

    Those that name the method of the scan go before those that name none; of these the latest that
    was in force on the day.
    """
    fitting = [
        each
        for each in settings.configuration
        if each.covers(instrument, accessory, quantity)
        and each.method in (None, method)
        and each.starting <= day
    ]
    return max(fitting, key=lambda each: (each.method is not None, each.starting), default=None)


def changeovers_stated(text: str) -> tuple[float, ...]:
    """Wavelengths in nm that a header lists, by rising wavelength.

    They are parted by semicolons or blanks, or by commas alone.

    Raises
    ------
    ValueError
        It is no such list; the message says what is expected.

    Examples
    --------
    >>> changeovers_stated("860; 319.2"), changeovers_stated("319,860")
    ((319.2, 860.0), (319.0, 860.0))
    """
    expected = "wavelengths in nm with a decimal point, as 319; 860"
    parts = [part for part in re.split(r"[;\s]+", text.strip(" ;")) if part]
    if len(parts) == 1:
        parts = parts[0].split(",")
    try:
        numbers = [part.rstrip(",").removesuffix("nm") for part in parts]
        found = sorted({float(number) for number in numbers if number})
    except ValueError:
        raise ValueError(expected) from None
    if not found or not all(SHORTEST_NM <= each <= LONGEST_NM for each in found):
        raise ValueError(expected)
    return tuple(found)
