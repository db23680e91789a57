"""Before numpy is imported, here and in the processes that share the tests."""

import os

# the matrices are small, and several processes with several threads wait for each other:
# with both cores busy the fits of a test take twice the processor's time
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
