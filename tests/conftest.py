"""What holds for all tests: a busy machine is no reason to fail, and each process keeps to one core."""

import os

# The workers of pytest-xdist share the cores. A linear algebra library that spreads small matrices over all
# of them as well takes two to four times the processor time, much of it waiting. NumPy reads this on import.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from hypothesis import settings

settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
