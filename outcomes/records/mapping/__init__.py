"""Mappings: what the columns of a clinic's own file mean, in TOML."""

from outcomes.records.mapping.model import Mapping, Reading
from outcomes.records.mapping.parsing import load_mapping
from outcomes.records.mapping.shaping import shape

__all__ = ["Mapping", "Reading", "load_mapping", "shape"]
