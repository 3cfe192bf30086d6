"""The difference plot in one panel of a figure of your own."""

import sys

from matplotlib.figure import Figure

import agreement

left, right = (figure := Figure(figsize=(10, 4))).subplots(1, 2)
agreement.read_cohort(sys.argv[1]).plot("wrist_a", ax=left)
figure.savefig(sys.argv[2])
