"""Settings of a worker process that a test starts: the service's own on the test's database."""

import json
import os

from deploy.settings import *  # noqa: F403

DATABASES["default"].update(json.loads(os.environ["SWATHBOOK_TEST_DATABASE"]))  # noqa: F405
INSTALLED_APPS += ["tests.deploy.kinds.KindsConfig"]  # noqa: F405
