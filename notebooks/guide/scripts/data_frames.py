"""Data frames only: laboratory tests and readings, paired by the rules of a study."""

import pandas as pd

import agreement

lab = pd.DataFrame([("T1", "A", "2026-03-20", "run", 50.0), ("T2", "B", "2026-03-22", "run", 44.0)])
lab.columns = ["lab_test_id", "athlete_id", "date", "mode", "vo2max_ml_kg_min"]
days = pd.DataFrame({"athlete_id": list("AABB"), "vo2max_ml_kg_min": [51, 53, 47, 49]})
days["taken_at"] = ["2026-03-17", "2026-03-19", "2026-03-18", "2026-03-21"]
days["method"], days["mode"] = "wrist", "run"
print(agreement.pair(lab, days)[["athlete_id", "lab", "field", "difference"]])
