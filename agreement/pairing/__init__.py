"""
Laboratory x field: one row per pair, and the ledger of what was left out and why.

One idea per file, each using only those before it: `units` (repeats), `ordering`, `cleaning`
(copies, stale runs), `matching` (which unit), `summaries`, `core` (these together, on plain
frames), `messages`, `reading_fates` and `unit_fates` (why not), `ledger`, `accounts` and
`study_ledger` (every row counted), `repeated_rows` (copies and stale runs, group by group), `notes`,
`tally` (what is said of a study as a whole), `pair_order`, `bucket` (all of these for some athletes
or for everybody), `unlike_modes` (set beside, never pooled), `other_rules` (what if), `study_pairs`
(all of it for one study).
"""

from agreement.pairing.study_pairs import Pairing, pair

__all__ = ["Pairing", "pair"]
