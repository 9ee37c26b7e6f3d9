"""The one settings file. What differs between places comes from the environment (`lims.environment`)."""

import os
from datetime import timedelta
from pathlib import Path

from lims.core.logs import configure_logs
from lims.core.static_headers import add_static_headers
from lims.environment import Environment

BASE_DIR = Path(__file__).resolve().parent.parent
env = Environment(os.environ)

# --- Where it runs -----------------------------------------------------------------------------------------------

# A trial serves plain HTTP to this machine only; everything else is a server behind TLS.
TRIAL = env.flag("LIMS_TRIAL")
DEBUG = False
VAR_DIR = Path(env.text("LIMS_VAR", default=str(BASE_DIR / "var")))

# Blank is allowed here, so that checks and type checkers run anywhere: wsgi.py and celery.py refuse to serve with it.
SECRET_KEY = env.text("SECRET_KEY")
ALLOWED_HOSTS = env.words("ALLOWED_HOSTS", default="localhost,127.0.0.1,[::1]")
CSRF_TRUSTED_ORIGINS = env.words("CSRF_TRUSTED_ORIGINS")

ROOT_URLCONF = "lims.urls"
WSGI_APPLICATION = "lims.wsgi.application"

INSTALLED_APPS = [
    "lims.audit",
    "lims.files",
    "lims.accounts",
    "lims.signatures",
    "lims.cases",
    "lims.materials",
    "lims.formulations",
    "lims.samples",
    "lims.rigs",
    "lims.runs",
    "lims.specifications",
    "lims.quality",
    "lims.comparisons",
    "lims.web",
    "lims.api",
    "lims.demo",
    "lims.core",
    "lims.core.read_only.ReadOnlySiteConfig",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.contrib.humanize",
    "django.contrib.postgres",
    "pgtrigger",
    "pghistory",
    "rest_framework",
    "knox",
    "drf_spectacular",
    "django_filters",
    "django_htmx",
    "axes",
    "django_otp",
    "django_otp.plugins.otp_totp",
]
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

MIDDLEWARE = [
    "lims.core.middleware.request_id",
    "lims.core.health.probes",
    "django.middleware.security.SecurityMiddleware",
    "lims.core.middleware.content_security_policy",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "lims.core.middleware.session_limits",
    "django_otp.middleware.OTPMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "pghistory.middleware.HistoryMiddleware",
    "axes.middleware.AxesMiddleware",
    "lims.web.doors.refusals",
]

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "lims.web.navigation.navigation",
            ],
        },
    },
]

# --- Database ----------------------------------------------------------------------------------------------------

DATABASES = {
    "default": {
        **env.database("DATABASE_URL", default="postgresql://localhost/lims"),
        "CONN_MAX_AGE": env.number("DATABASE_CONNECTION_SECONDS", default=60),
        "CONN_HEALTH_CHECKS": True,
    }
}

# --- People, passwords, sessions ---------------------------------------------------------------------------------

AUTH_USER_MODEL = "accounts.User"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
# Length and a list of common passwords, no rules of composition (NIST SP 800-63B; OWASP ASVS 5.0, 6.2).
PASSWORD_RECOMMENDED_LENGTH = 15
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 8}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
]

LOGIN_URL = "/sign-in/"
LOGIN_REDIRECT_URL = "/"
LOGOUT_REDIRECT_URL = "/sign-in/"

# An account is slowed from one address only, so that an outsider cannot lock a person out everywhere.
AXES_FAILURE_LIMIT = env.number("SIGN_IN_ATTEMPTS", default=5, least=1)
AXES_COOLOFF_TIME = env.minutes("SIGN_IN_PAUSE_MINUTES", default=15)
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_RESET_ON_SUCCESS = True
AXES_LOCKOUT_TEMPLATE = "accounts/locked.html"

SIGNING_ATTEMPTS = env.number("SIGNING_ATTEMPTS", default=5, least=1)
SECOND_FACTOR_REQUIRED = env.flag("SECOND_FACTOR_REQUIRED", default=not TRIAL)
OTP_TOTP_ISSUER = "Thermal interface laboratory"

SESSION_IDLE = env.minutes("SESSION_IDLE_MINUTES", default=30)
SESSION_ABSOLUTE = env.minutes("SESSION_ABSOLUTE_MINUTES", default=12 * 60)
SESSION_COOKIE_AGE = int(SESSION_ABSOLUTE.total_seconds())

# --- What a browser is told --------------------------------------------------------------------------------------

X_FRAME_OPTIONS = "DENY"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = not TRIAL
SECURE_SSL_REDIRECT = env.flag("SECURE_SSL_REDIRECT", default=not TRIAL)
SECURE_HSTS_SECONDS = 0 if TRIAL else env.number("HSTS_SECONDS", default=365 * 24 * 3600)
SECURE_HSTS_INCLUDE_SUBDOMAINS = not TRIAL
SECURE_HSTS_PRELOAD = not TRIAL
# Only a proxy that always sets this header itself may be trusted with it.
if env.flag("BEHIND_PROXY"):
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    AXES_IPWARE_PROXY_COUNT = 1

# --- Pages and static files --------------------------------------------------------------------------------------

LANGUAGE_CODE = "en"
TIME_ZONE = env.text("TIME_ZONE", default="UTC")
USE_TZ = True
USE_I18N = True

STATIC_URL = "/static/"
STATICFILES_DIRS = [BASE_DIR / "static"]
STATICFILES_FINDERS = [
    "django.contrib.staticfiles.finders.FileSystemFinder",
    "django.contrib.staticfiles.finders.AppDirectoriesFinder",
    "lims.core.static_files.PackageFileFinder",
]
# Files served straight out of an installed library: address below STATIC_URL -> (package, file in it).
PACKAGE_STATIC_FILES = {"packages/plotly.min.js": ("plotly", "package_data/plotly.min.js")}

# The image collects, hashes and compresses once when it is built; a trial serves from where the files lie.
STATIC_ROOT = env.text("STATIC_ROOT") or None
WHITENOISE_USE_FINDERS = STATIC_ROOT is None
WHITENOISE_ADD_HEADERS_FUNCTION = add_static_headers
WHITENOISE_ALLOW_ALL_ORIGINS = False

# --- Files -------------------------------------------------------------------------------------------------------

STORAGE_BUCKET = env.text("STORAGE_BUCKET")
# The head of the history's chain is appended here when it is sealed: keep this file on another machine.
HISTORY_HEADS_FILE = env.text("HISTORY_HEADS_FILE")
STORAGE_FOLDER = Path(env.text("STORAGE_FOLDER", default=str(VAR_DIR / "files")))
MEDIA_ROOT = STORAGE_FOLDER
_file_storage = {
    "BACKEND": "django.core.files.storage.FileSystemStorage",
    "OPTIONS": {"location": STORAGE_FOLDER, "file_permissions_mode": 0o440, "directory_permissions_mode": 0o750},
}
_object_storage = {
    "BACKEND": "storages.backends.s3.S3Storage",
    "OPTIONS": {
        "bucket_name": STORAGE_BUCKET,
        "endpoint_url": env.text("STORAGE_ENDPOINT") or None,
        "region_name": env.text("STORAGE_REGION") or None,
        "access_key": env.text("STORAGE_ACCESS_KEY") or None,
        "secret_key": env.text("STORAGE_SECRET_KEY") or None,
        "file_overwrite": False,
        "default_acl": None,
        "querystring_auth": True,
    },
}
STORAGES = {
    "default": _object_storage if STORAGE_BUCKET else _file_storage,
    "staticfiles": {
        "BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"
        if STATIC_ROOT
        else "lims.core.static_files.VersionedStaticFilesStorage"
    },
}
# What stands at the head of every paper (ISO/IEC 17025, 7.8.2.1 b).
LABORATORY_NAME = env.text("LABORATORY_NAME", default="Thermal interface laboratory")
LABORATORY_ADDRESS = env.text("LABORATORY_ADDRESS", default="1 Bench Road, Trial Town" if TRIAL else "")
# The address people reach the laboratory under, for symbols on papers; blank: as they reached it just now.
PUBLIC_ADDRESS = env.text("PUBLIC_ADDRESS").rstrip("/")
# properties of lots that this laboratory adds (lims.materials.configured says what stands in the file)
PROPERTIES_FILE = Path(env.text("PROPERTIES_FILE")) if env.text("PROPERTIES_FILE") else None
MAX_UPLOAD_BYTES = env.size("MAX_UPLOAD_BYTES", default="4 GB")
# What one person or rig may send within a day.
UPLOAD_QUOTA_BYTES = env.size("UPLOAD_QUOTA_BYTES", default="200 GB")
FILE_UPLOAD_MAX_MEMORY_SIZE = 1024 * 1024
FILE_UPLOAD_TEMP_DIR = env.text("UPLOAD_TEMP_FOLDER") or None
DATA_UPLOAD_MAX_MEMORY_SIZE = 8 * 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FILES = 300

# --- Queue -------------------------------------------------------------------------------------------------------

# The database is the queue's memory: a message carries an id only, and a lost one is sent again by the sweep.
CELERY_BROKER_URL = env.text("BROKER_URL", default="redis://localhost:6379/0")
CELERY_RESULT_BACKEND = None
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_WORKER_SEND_TASK_EVENTS = False
CELERY_WORKER_CANCEL_LONG_RUNNING_TASKS_ON_CONNECTION_LOSS = True
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
# A page must not wait long when the queue is down: the run is stored, and the sweep sends it later.
CELERY_BROKER_TRANSPORT_OPTIONS = {
    "socket_connect_timeout": 2,
    "socket_timeout": 10,
    "visibility_timeout": 3600,
}
CELERY_TASK_PUBLISH_RETRY_POLICY = {"max_retries": 1, "interval_start": 0.1, "interval_max": 0.2}

# What nouns above runs do once a reduction is done; each takes the reduction's key. Called by the worker.
AFTER_REDUCTION = ("lims.quality.services.judge_reduced", "lims.quality.services.watch_reduced")

# How long a worker holds a run without a sign of life [s]; a run whose worker died is taken up again after that.
REDUCTION_LEASE_SECONDS = env.number("REDUCTION_LEASE_SECONDS", default=60, least=1)

# What `manage.py schedule` calls, over and over: dotted path of a plain function -> seconds between two calls.
SCHEDULE: dict[str, int] = {
    "lims.audit.services.seal": 60,
    "lims.runs.tasks.sweep_reductions": 15,
}

# --- API ---------------------------------------------------------------------------------------------------------

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "knox.auth.TokenAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_FILTER_BACKENDS": ["django_filters.rest_framework.DjangoFilterBackend"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "EXCEPTION_HANDLER": "lims.api.base.problem",
}
KNOX_TOKEN_MODEL = "knox.AuthToken"
REST_KNOX = {"AUTH_HEADER_PREFIX": "Token", "TOKEN_TTL": timedelta(days=env.number("TOKEN_DAYS", default=90, least=1))}
SPECTACULAR_SETTINGS = {
    "TITLE": "Thermal interface laboratory",
    "DESCRIPTION": "Lots, formulations, batches, samples, rigs, runs, figures and comparisons of a laboratory that "
    "makes and tests thermal interface materials.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    "COMPONENT_SPLIT_REQUEST": True,
    "OAS_VERSION": "3.1.1",
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "lims.api.document.add_problems",
    ],
    # several nouns have a kind; each list of kinds gets a name of its own in the document
    "ENUM_NAME_OVERRIDES": {
        "KindOfMaterialEnum": "lims.materials.kinds.KINDS",
        "RigNoteKindEnum": "lims.rigs.models.RigNote.Kind",
        "RunKindEnum": "lims.runs.models.Run.Kind",
        "SizeBasisEnum": ["volume", "number"],
        "JudgedBasisEnum": ["each", "mean"],
        "EquipmentKindEnum": "lims.formulations.models.BenchEquipment.Kind",
        "RigCheckKindEnum": "lims.rigs.models.CheckKind",
        "SignalWordEnum": ["none", "warning", "danger"],
    },
}

# --- Logs --------------------------------------------------------------------------------------------------------

LOG_LEVEL = env.text("LOG_LEVEL", default="INFO").upper()
LOGGING_CONFIG = None
configure_logs(level=LOG_LEVEL, as_json=env.flag("LOG_JSON", default=not TRIAL))

# --- History -----------------------------------------------------------------------------------------------------

# Rows of the history can be added, never changed.
PGHISTORY_APPEND_ONLY = True

# Triggers are written from the models after every migration, not in the migrations: one place says what they are.
PGTRIGGER_MIGRATIONS = False
PGTRIGGER_INSTALL_ON_MIGRATE = True
