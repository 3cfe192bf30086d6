"""The hostile tests share plain modules that stand beside them."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))  # tests are no package
