"""The web server. `deploy/run` gives the address; the rest is the same everywhere.

Two processes of one thread each: on SQLite few writers wait for each other least, and a page
takes milliseconds; long work belongs to the worker.
"""

import os

wsgi_app = "deploy.wsgi:application"
workers = int(os.environ.get("SWATHBOOK_WEB_PROCESSES", "2"))
preload_app = True  # loaded once, shared by both; nothing of it opens the database
timeout = 60
graceful_timeout = 10
# Uploads are read by one process at a time; a page of files of the allowed size fits in the time.
limit_request_line = 8190
# Heartbeats and buffered uploads lie in memory, not on a disk that may be slow or full.
worker_tmp_dir = "/dev/shm" if os.path.isdir("/dev/shm") else None  # noqa: S108
control_socket_disable = True
accesslog = os.environ.get("SWATHBOOK_ACCESS_LOG") or None
loglevel = "warning"
