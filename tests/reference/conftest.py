"""The rows of numerical trust stand in plain modules beside their test."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))  # tests are no package
