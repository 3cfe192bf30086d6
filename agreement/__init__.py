"""How far can the other VO2max number be trusted: agreement of field estimates with the laboratory."""

__version__ = "0.1.0"
