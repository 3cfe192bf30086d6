"""
Laboratory x field: one row per pair, and the ledger of what was left out and why.

One idea per file, each using only those before it: `laboratory_units` (repeats), `ordering`,
`cleaning` (copies, stale runs), `messages`, `matching` (which unit), `summaries`, `pair_readings`
(these together, on plain frames), `reading_fates` and `unit_fates` (why not), `notes` (copies and
stale runs, group by group), `tally` (what is said of a study as a whole), `bucket` (all of these for
some athletes or for everybody), `ledger` and `study_ledger` (every row counted), `other_rules` (what
if; tests of another mode set beside), `study_pairs` (all of it for one study).
"""

from agreement.pairing.study_pairs import Pairing, pair

__all__ = ["Pairing", "pair"]
