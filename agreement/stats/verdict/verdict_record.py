"""What the results table holds of a verdict: its rows, and the record of each statistic."""

from typing import Final

from agreement.stats.record import recorded
from agreement.stats.verdict.verdict import verdict_of

RECORD: Final = recorded("""
    verdict, place 30, whole, own section, any size: verdict on the agreed limit
    within_margin [1] .0: agreed limit met
      1 if both limits lie inside the limit agreed beforehand, by the agreed yardstick, 0 if not.
      = both limits inside the agreed one by their intervals, and for fit and less fit athletes |
      Carkeet 2015; Berger 1982
    more_athletes [1] .0: athletes still needed
      How many more athletes would decide an open verdict against one laboratory test with power
      0.80.
      = power of both limits inside the agreed one, at the observed bias and spread | Lu 2016
    within_margin_laboratory_test [1] .0: agreed limit met, against one laboratory test
      1 if both limits of agreement lie inside the agreed limit, 0 if not.
      = as within_margin
    within_margin_true_value [1] .0: agreed limit met, against the true value
      1 if both own limits, net of the laboratory, lie inside the agreed limit, 0 if not.
      = both limits inside the agreed one by their intervals, and for fit and less fit athletes |
      Zou & Donner 2008; Berger 1982
    sem_needed .2: laboratory error that would do
      Smallest standard error of a laboratory test at which the own limits would pass.
      = the own limits at errors in steps of 0.05 | Zou & Donner 2008
    athletes_needed_1_test [1] .0: athletes needed, one laboratory test each
      How many athletes would decide the verdict with power 0.80; low and high: at the ends of the
      80 % interval of the spread.
      = power of both limits inside the agreed one, by the agreed yardstick | Lu 2016
    athletes_needed_2_tests [1] .0: athletes needed, two laboratory tests each
    athletes_needed_3_tests [1] .0: athletes needed, three laboratory tests each
    spread_80_low: lower end of the spread (80 %)
      Lower end of the 80 % interval of the spread of differences.
      = chi-square interval, or MOVER where pairs repeat | Zou 2013
    spread_80_high: upper end of the spread (80 %)
      Upper end of the 80 % interval of the spread of differences.
    outer_end_less_fit: outer end of the limits for less fit athletes
      How far a limit may reach for athletes at the 10th centile of fitness.
      = lines of the difference and of its spread on the mean of both | Bland & Altman 1999
    outer_end_fit: outer end of the limits for fit athletes
      How far a limit may reach for athletes at the 90th centile of fitness.
    p_acceptable [p]: p of limits beyond the agreed one
      How often limits that reach beyond the agreed one would look as far inside as these.
      = level at which the outer end of the worse limit meets the agreed one | Carkeet 2015
    acceptable_counted [1] .0: agreed limit met, all methods counted
      1 if the verdict stays acceptable when every method judged in the study is counted.
      = p of every method, corrected step by step | Holm 1979
    """).by(verdict_of)
