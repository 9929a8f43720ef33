"""One thread for the compiled kernels in tests: workers share two cores; bits do not depend on it."""

import os

os.environ.setdefault("NUMBA_NUM_THREADS", "1")
