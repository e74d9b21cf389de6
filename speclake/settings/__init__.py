"""The settings of one archive."""

from speclake.settings.fitness import Fitness
from speclake.settings.model import (
    FILE_NAME,
    LARGEST_FILE_MB,
    Configuration,
    ConfigurationRange,
    Folder,
    KindRule,
    Limits,
    Pages,
    Pattern,
    Settings,
    SiteMap,
    load,
)

__all__ = [
    "FILE_NAME",
    "LARGEST_FILE_MB",
    "Configuration",
    "ConfigurationRange",
    "Fitness",
    "Folder",
    "KindRule",
    "Limits",
    "Pages",
    "Pattern",
    "Settings",
    "SiteMap",
    "load",
]
