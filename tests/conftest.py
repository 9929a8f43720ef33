"""One thread for the compiled kernels in tests: workers share two cores; bits do not depend on it.

Property tests have no deadline: how long an example takes says how busy the machine is, nothing of the code.
"""

import os

from hypothesis import settings

os.environ.setdefault("NUMBA_NUM_THREADS", "1")
settings.register_profile("icewright", deadline=None)
settings.load_profile("icewright")
