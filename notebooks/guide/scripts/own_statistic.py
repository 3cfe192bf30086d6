"""A statistic of your own with the cluster bootstrap: the share of pairs within 3 mL/kg/min."""

import sys

import agreement

pairs = agreement.read_cohort(sys.argv[1]).pairs_of("wrist_a")
near = (pairs["difference"].abs() <= 3).to_numpy(float)
drawn = agreement.cluster_resampling(pairs["athlete_id"], rng=1)
shares = agreement.bootstrap(drawn, lambda w: (w @ near / w.sum(axis=1))[:, None])
print(shares.estimate[0], shares.bca_interval())
