"""The demo's study.toml and the note on where its data come from."""

STUDY = """\
# What was decided before anybody ran. Every key is explained by `agreement new`.

[study]
title = "Crews of a mountain and coast rescue service"
question = "Which of two wrist methods may stand in for the treadmill between two visits?"
compares = ["wrist_a", "wrist_b"]  # the methods that the question is about
time_zone = "CET"                 # some times in field_estimates.csv carry no offset

[margin]
limit_ml_kg_min = 7.0             # for one person: both limits must lie inside +- this
mean_limit_ml_kg_min = 2.0        # for the mean bias
against = "true value"            # not one laboratory test, which has an error of its own
agreed_on = 2026-01-08            # before the first test
reason = "Two METs: the width of the service's fitness classes."

[reference]
averaging_rule = "moving 30 s"
edit_breaths = true               # coughs into the mask
repeat_within_days = 10           # some people came twice within ten days: the laboratory's own error

[pairing]
days_before = 14
summary = "mean"
summary_days = 7
minimum_days = 2

[change]
visits = "first and last"
minimum_gap_days = 28

[profile]
use = "computed"                  # from sessions.csv

[methods."wrist_a"]
label = "Wrist device A"
heart_rate_based = true

[methods."wrist_b"]
label = "Wrist device B"
heart_rate_based = true

[report]
kind = "squad"
seed = 20260108

[files.athletes]
codes = { sex = { "F" = "female", "M" = "male" } }

[files.lab_tests]                 # written by the laboratory's own program
path = "laboratory.csv"
separator = ";"
decimal = ","
encoding = "latin-1"
date_order = "day-first"
columns = { temperature_c = "temperature (°C)" }
"""

ORIGIN = """\
# Where these data come from

Nobody. This study is invented: sixty people of a mountain and coast rescue service that does not
exist, in four kinds of training, with two treadmill visits about six weeks apart. It is here so that
the tool can be tried and its report can be checked against a known truth.

Made by `agreement.simulate.demo.write_demo_cohort`, which gives these files again, byte for byte.
`truth.json` holds what no real study has: true VO2max, gain, HRmax and cost of running of each person
(`people`), what each wrist method was told (`told`), and the truth behind each laboratory test
(`tests`). The tool does not read it.

## How the numbers arise

- *Laboratory*: the truth of the day plus 2.6 mL/kg/min of noise, nine tenths of its variance
  biological. One test in fourteen stops short of the maximum. Three people in ten came again within
  ten days.
- *Breaths*: thirteen ramps, and eight tests in stages of three minutes whose uptake follows each
  person's own cost of running, of people whose sessions have samples.
- *Wrist methods*: every day the line of uptake by pace on heart rate over the runs of the last 42
  days, carried to the HRmax that the method was told, weighed with a first guess, smoothed, rounded.
  `wrist_a` uses its own optical sensor, an average cost of running, mostly 220 - age, and shows whole
  numbers. `wrist_b` uses a chest strap where there is one, has learned most of a person's cost of
  running, mostly knows a measured HRmax, and shows tenths. No bias is typed in for any kind of
  training: noise in heart rate flattens the line, the more so the closer together and the farther
  below HRmax the training lies.
- *Field tests*: the performance that true VO2max, cost of running and pacing allow, through the
  inverse of the published equation.
- Assumptions without a source are marked as such in `agreement/simulate`.
- The seed was picked. Of sixty tried it is one of those with two people on heart-rate-limiting drugs
  and with laboratory repeats that show about the error put in; among those it shows the six-week change
  most clearly. One study in twelve would look as kind as this one: try other seeds before believing it.

## What was spoiled on purpose

| file | who | what |
|---|---|---|
| `laboratory.csv` | all | semicolons, decimal commas, Latin-1, day-first dates, own heading for the temperature |
| | S034 | RER in per cent |
| | S016 | HRmax 104 |
| | S020 | VO2max in L/min, mass known |
| | S031 | VO2max in L/min, no mass anywhere |
| | S010 | tested on a cycle |
| | S058 | never tested |
| `breaths/` | 13 ramps | most carry no typed VO2max; the first was typed 2.9 too high; coughs |
| `athletes.csv` | all | sex as F and M |
| | S023 | drug unknown |
| | S047 | withdrew |
| `field_estimates.csv` | S045 | a value of 135 |
| | S038 | a value missing |
| | S055 | `wrist_b` in L/min |
| | S025 | some rows by bicycle |
| | S040 | no `wrist_b` |
| | S027 | `wrist_b` worn now and then |
| | S019 | `wrist_a` froze for 26 days |
| | S005, S012 | rows that came twice with a second sync |
| | S014 | two values for one instant |
| | all | `wrist_a` with offsets (S003, S011, S019 in UTC), `wrist_b` without |
| | S003 | a reading at 00:30, which in UTC is the day before |
| | S022 | blanks around the id |
| | S07, X112 | ids that nobody has |
| | all | readings on the day of the test and after it |
| | one in five | a mass told years ago; most with HRmax 220 - age |
| `field_tests.csv` | S008 | not completed |
| | S026 | distance not written down |
| | S033 | a test a month early |
| `sessions.csv` | S044 | few sessions on record |
| | S046 | ill for a week |
| `samples/` | 20 people | the last eight runs before the first visit, compressed |
| | S009 | heart rate lost for a quarter of an hour of one run |
"""
