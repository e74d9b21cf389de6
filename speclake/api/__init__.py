"""The Python interface: `open` an archive, or `create` one."""

from speclake.api.archive import Archive

open = Archive.open
create = Archive.create

__all__ = ["Archive", "create", "open"]
