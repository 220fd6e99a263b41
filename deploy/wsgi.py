"""The web server's entry point."""

import gc
import os
from importlib import import_module

from django.conf import settings
from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
application = get_wsgi_application()
# Pages are loaded before the first is asked for, and once for all processes of the server. What is
# loaded then stays, and the search for cycles need not look through it again and again; of what a
# request makes next to nothing is left when it ends, so that the search may wait for more.
import_module(settings.ROOT_URLCONF)
gc.collect()
gc.freeze()
gc.set_threshold(10_000, 10, 10)
