"""Made readings for the tests of the diagnosis, reached by their folder since tests are no package."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
