"""The site file and the register maps: models, loading, checking."""

from edgeflash.config.load import load_map, load_site
from edgeflash.config.problems import Problem

__all__ = ["Problem", "load_map", "load_site"]
