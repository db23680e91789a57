"""What holds for all tests, set before numpy is imported and before any example is drawn."""

import os

# the matrices are small, and several processes with several threads wait for each other:
# with both cores busy the fits of a test take twice the processor's time
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from hypothesis import settings

# the same examples every time, so that what passes here passes elsewhere; and no limit of
# time, which a busy machine would break
settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("search", deadline=None, print_blob=True)
settings.load_profile("same")
