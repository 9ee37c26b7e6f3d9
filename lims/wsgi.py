"""The door for web servers: `gunicorn lims.wsgi`."""

import os

from django.core.wsgi import get_wsgi_application

from lims.environment import refuse_unless_ready

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "lims.settings")
refuse_unless_ready()
application = get_wsgi_application()
