"""Settings of the test run: the service's own, on a data folder that goes with the process."""

import atexit
import os
import shutil
import tempfile

_data = tempfile.mkdtemp(prefix="swathbook-tests-")
atexit.register(shutil.rmtree, _data, ignore_errors=True)
os.environ["SWATHBOOK_DATA"] = _data
os.environ["SWATHBOOK_HTTPS"] = "0"
os.environ.setdefault("SWATHBOOK_SIGN_IN_RATE", "10000/min")

from deploy.settings import *  # noqa: E402, F403

# One cheap hash: the tests sign in hundreds of times.
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]

# In a file, as the service has it: threads and worker processes of a test meet on it, and locks
# are those of real life.
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):  # noqa: F405
    DATABASES["default"]["TEST"] = {"NAME": f"{_data}/test.sqlite3"}  # noqa: F405
