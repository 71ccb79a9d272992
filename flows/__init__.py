"""What runs and when: intake, derive, publish, review and their schedule."""

import os

# Before numpy is imported, here and in every process started from here: on matrices as small as
# ours its threads wait for each other longer than they work.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
