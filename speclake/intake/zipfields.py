"""What may stand beside the name of a member of a zip, and which names are paths below the zip."""

import struct
import unicodedata
from datetime import UTC, datetime, timedelta

LONG_SIZES, UNICODE_NAME = 0x0001, 0x7075
_NTFS_TIMES, _UNIX_TIMES = 0x000A, 0x5455
_UNSHOWN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
_NTFS_EPOCH = datetime(1601, 1, 1, tzinfo=UTC)
_UNIX_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def field(extra: bytes, kind: int) -> bytes | None:
    """One of the fields that a member may have beside its name."""
    at = 0
    while at + 4 <= len(extra):
        found, length = struct.unpack_from("<2H", extra, at)
        if found == kind:
            return extra[at + 4 : at + 4 + length]
        at += 4 + length
    return None


def saved_at(extra: bytes) -> datetime | None:
    """When the file was saved: the steps of 100 ns, or the seconds, of an extra field."""
    times = field(extra, _NTFS_TIMES)
    if times and len(times) >= 16 and times[4:6] == b"\x01\x00":
        (steps,) = struct.unpack_from("<Q", times, 8)
        try:
            return _NTFS_EPOCH + timedelta(microseconds=steps // 10)
        except OverflowError:
            return None
    times = field(extra, _UNIX_TIMES)
    if times and len(times) >= 5 and times[0] & 1:
        (seconds,) = struct.unpack_from("<i", times, 1)
        return _UNIX_EPOCH + timedelta(seconds=seconds)
    return None


def ntfs_times(modified_ns: int) -> bytes:
    """Extra field that tells when a file was saved, as `saved_at` reads it back."""
    epoch_ns = round((_UNIX_EPOCH - _NTFS_EPOCH).total_seconds()) * 10**9
    steps = max(0, (modified_ns + epoch_ns) // 100)
    return struct.pack("<2HL2H3Q", _NTFS_TIMES, 32, 0, 1, 24, steps, steps, steps)


def problem_of_name(name: str) -> str:
    """What keeps a name from being a path below the zip, in words."""
    parts = name.removesuffix("/").split("/")
    if "\\" in name:
        return "a name with backslashes"
    if name.startswith("/") or (len(parts[0]) > 1 and parts[0][1] == ":"):
        return "an absolute path"
    if any(part in ("", ".", "..") for part in parts):
        return "a name with empty steps, or steps out of the zip"
    if any(unicodedata.category(each) in _UNSHOWN for each in name):
        return "a name with characters that cannot be shown"
    return ""
