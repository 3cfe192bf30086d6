"""
Laboratory x field: one row per pair, and the ledger of what was left out and why.

One idea per file, each using only those before it, as their imports say.
"""

from agreement.pairing.study_pairs import Pairing, pair

__all__ = ["Pairing", "pair"]
