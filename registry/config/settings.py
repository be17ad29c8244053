"""Django settings, from the environment only. DEVELOPERS.md lists every variable."""

from pathlib import Path
from typing import Any

from csp.constants import NONE, SELF

from registry.config import env

PROJECT_DIR = Path(__file__).resolve().parent.parent.parent

# --- what the environment says ------------------------------------------------------------------

DEBUG = env.flag("DEBUG", default=False)
DATA_DIR = env.folder("DATA_DIR", default=Path("var"))
BASE = env.base_url("BASE_URL", default="http://127.0.0.1:8000")
BASE_URL = BASE.text
BASE_URL_IS_GIVEN = env.is_set("BASE_URL")
SECRET_KEY = env.secret_key("SECRET_KEY", data_dir=DATA_DIR, public=BASE.is_https)
ALLOWED_HOSTS = env.host_names(
    "ALLOWED_HOSTS", default=[BASE.host, "localhost", "127.0.0.1", "[::1]"]
)
EXTERNAL_DATABASE = env.postgres_url("DATABASE_URL")
EXTERNAL_BROKER = env.broker_url("BROKER_URL")

# --- applications -------------------------------------------------------------------------------

INSTALLED_APPS = [
    "registry.apps.RegistryConfig",
    "api.apps.ApiConfig",
    "frontend.apps.FrontendConfig",
    "rest_framework",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "axes",
    "csp",
    "django_htmx",
    "pghistory",
    "pgtrigger",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "django.contrib.admin",
]

MIDDLEWARE = [
    "registry.config.addresses.without_nul",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.locale.LocaleMiddleware",
    "frontend.preferences.PreferencesMiddleware",  # after the language is known
    "django.middleware.common.CommonMiddleware",
    "django.middleware.http.ConditionalGetMiddleware",  # ETag on every read, 304 when unchanged
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "axes.middleware.AxesMiddleware",  # last: it answers when a log-in was locked out
]

ROOT_URLCONF = "registry.config.urls"
WSGI_APPLICATION = "registry.config.wsgi.application"
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

TEMPLATES: list[dict[str, Any]] = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ],
        },
    },
]

# --- database -----------------------------------------------------------------------------------

# The embedded server starts when a connection is first asked for, so commands that need no
# database never wait for one.
EMBEDDED_DATABASE = {
    "ENGINE": "registry.config.embedded_database",
    "NAME": "coheap",
    "USER": "coheap",
    "OPTIONS": {},
}

DATABASES: dict[str, dict[str, Any]] = {
    "default": {
        **(EXTERNAL_DATABASE or EMBEDDED_DATABASE),
        # Each web thread keeps its connection; a restart of Postgres costs no request.
        "CONN_MAX_AGE": 60,
        "CONN_HEALTH_CHECKS": True,
    }
}

# --- caches -------------------------------------------------------------------------------------

# Pages are kept per process. Pictures take long to draw, so the processes of a machine share them.
CACHES = {
    "default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"},
    "pictures": {
        "BACKEND": "django.core.cache.backends.filebased.FileBasedCache",
        "LOCATION": DATA_DIR / "pictures",
        "OPTIONS": {"MAX_ENTRIES": 2000},
    },
}

# --- people -------------------------------------------------------------------------------------

AUTH_USER_MODEL = "registry.User"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 12},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]
LOGIN_URL = "frontend:login"
LOGIN_REDIRECT_URL = "/"
LOGOUT_REDIRECT_URL = "/"

# Per person and address: a stranger guessing elsewhere cannot lock a coordinator out.
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_FAILURE_LIMIT = 6
AXES_COOLOFF_TIME = 0.25  # hours
AXES_LOCKOUT_TEMPLATE = "frontend/account/locked_out.html"
AXES_RESET_ON_SUCCESS = True
AXES_VERBOSE = False

# --- sessions, cookies, headers -----------------------------------------------------------------

SESSION_COOKIE_NAME = "__Host-coheap-session" if BASE.is_https else "coheap-session"
SESSION_COOKIE_AGE = 12 * 60 * 60  # one long working day
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_SECURE = BASE.is_https
CSRF_COOKIE_NAME = "__Host-coheap-csrf" if BASE.is_https else "coheap-csrf"
CSRF_COOKIE_HTTPONLY = True
CSRF_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_SECURE = BASE.is_https
CSRF_TRUSTED_ORIGINS = [BASE.origin]

SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"

# An https address means a proxy ends TLS in front of us and tells us so.
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if BASE.is_https else None
SECURE_SSL_REDIRECT = BASE.is_https
SECURE_REDIRECT_EXEMPT = [r"^health/"]  # load balancers ask inside, over plain HTTP
# Whether neighbours under the same domain speak https too is for their owner to say.
SILENCED_SYSTEM_CHECKS = ["security.W005", "security.W021"]
SECURE_HSTS_SECONDS = 365 * 24 * 60 * 60 if BASE.is_https else 0

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF, "data:"],
        "font-src": [SELF],
        "connect-src": [SELF],
        "object-src": [NONE],
        "base-uri": [NONE],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}

# --- language, time, static files ---------------------------------------------------------------

LANGUAGE_CODE = "en-gb"
LANGUAGES = [("en-gb", "English"), ("de", "Deutsch")]  # the first is the language of the source
LOCALE_PATHS = [PROJECT_DIR / "frontend" / "translations"]
LANGUAGE_COOKIE_NAME = "coheap-language"
LANGUAGE_COOKIE_SECURE = BASE.is_https
LANGUAGE_COOKIE_HTTPONLY = True
LANGUAGE_COOKIE_SAMESITE = "Lax"
USE_I18N = True
TIME_ZONE = "UTC"
USE_TZ = True

STATIC_URL = "/static/"
STATIC_ROOT = DATA_DIR / "static"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if DEBUG
        else "whitenoise.storage.CompressedManifestStaticFilesStorage"
    },
}
# The hashed names are the only ones that pages use; half the files, half the time to gather them.
WHITENOISE_KEEP_ONLY_HASHED_FILES = True
MEDIA_ROOT = DATA_DIR / "files"
UPLOADS_DIR = DATA_DIR / "uploads"  # the bodies of uploads, by their hash
PHOTOS_DIR = DATA_DIR / "photos"  # without where they were taken, by their hash
RELEASES_DIR = DATA_DIR / "releases"  # the data packages
REPORTS_DIR = DATA_DIR / "reports"  # printed reports; may be deleted, they are made again

# A season of hourly readings of a large site is some 20 MB of CSV.
MAX_UPLOAD_BYTES = 128_000_000
MAX_UNPACKED_BYTES = 512_000_000
MAX_UPLOAD_ROWS = 2_000_000

# --- API ----------------------------------------------------------------------------------------

REST_FRAMEWORK: dict[str, Any] = {
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "api.v1.authentication.BearerAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": [],  # registry.permissions decides, row by row and verb by verb
    "DEFAULT_PAGINATION_CLASS": "api.v1.pagination.ByCursor",
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "DEFAULT_THROTTLE_CLASSES": ["api.v1.throttling.PerActor", "api.v1.throttling.PerAddress"],
    "EXCEPTION_HANDLER": "api.v1.errors.handle",
    "UNAUTHENTICATED_USER": "django.contrib.auth.models.AnonymousUser",
    "URL_FORMAT_OVERRIDE": None,  # `format` names the file of an export
}
SPECTACULAR_SETTINGS: dict[str, Any] = {
    "TITLE": "Coheap",
    "DESCRIPTION": "Register piles, bags and looks; read pooled estimates, releases and ratings.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    "COMPONENT_SPLIT_REQUEST": True,
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "api.v1.schema.with_refusals",
    ],
    "ENUM_NAME_OVERRIDES": {
        "LookOutcomeEnum": "registry.columns.OUTCOMES",
        "EstimateOutcomeEnum": "registry.models.pooled_estimate.OUTCOMES",
        "PooledHeatClassEnum": "registry.models.pooled_estimate.HEAT_CLASSES",
        "PileHeatClassEnum": "registry.models.pooled_estimate.PILE_HEAT_CLASSES",
        "ExplanationKindEnum": "registry.models.explanation.EXPLANATIONS",
        "PileKindEnum": "registry.columns.PILE_KINDS",
        "UploadKindEnum": "registry.columns.KIND_NAMES",
        "TrialStateEnum": "registry.models.TrialState.values",
        "UploadStateEnum": "registry.models.UploadState.values",
        "RunStateEnum": "registry.models.RunState.values",
    },
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "REDOC_DIST": "SIDECAR",
}

# --- jobs ---------------------------------------------------------------------------------------

# Without a broker the messages are files; folder_transport.py keeps them whole.
QUEUE_DIR = DATA_DIR / "queue"
QUEUE_FOLDERS = {
    "data_folder_in": QUEUE_DIR / "messages",
    "data_folder_out": QUEUE_DIR / "messages",
    "processed_folder": QUEUE_DIR / "taken",
    "control_folder": QUEUE_DIR / "control",
}
env.make_folders("DATA_DIR", [STATIC_ROOT, *QUEUE_FOLDERS.values()])

CELERY_BROKER_URL = EXTERNAL_BROKER or "folder://here"
CELERY_BROKER_TRANSPORT_OPTIONS: dict[str, Any] = (
    {"socket_timeout": 5, "socket_connect_timeout": 3, "visibility_timeout": 3600}
    if EXTERNAL_BROKER
    else {**{name: str(path) for name, path in QUEUE_FOLDERS.items()}, "polling_interval": 0.1}
)
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
# A request that rings the bell must not wait for a dead broker: the row is queued anyway.
CELERY_BROKER_CONNECTION_TIMEOUT = 3
CELERY_TASK_PUBLISH_RETRY_POLICY = {"max_retries": 1, "interval_start": 0, "interval_max": 0.2}
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_TASK_SOFT_TIME_LIMIT = 15 * 60
CELERY_TASK_TIME_LIMIT = 16 * 60
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_CANCEL_LONG_RUNNING_TASKS_ON_CONNECTION_LOSS = True
CELERY_WORKER_ENABLE_REMOTE_CONTROL = False
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_TIMEZONE = TIME_ZONE
# Plain intervals: nothing worth keeping in a file that a power cut could spoil.
CELERY_BEAT_SCHEDULER = "celery.beat:Scheduler"
CELERY_BEAT_SCHEDULE = {
    "sweep": {
        "task": "registry.jobs.sweep.sweep",
        "schedule": 15.0,
        "options": {"expires": 15.0},
    },
}

# --- logging ------------------------------------------------------------------------------------

LOGGING: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {
        "line": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"},
    },
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["stderr"], "level": "WARNING"},
    "loggers": {
        "registry": {"level": "INFO"},
        "api": {"level": "INFO"},
        "frontend": {"level": "INFO"},
        "django": {"handlers": ["stderr"], "level": "WARNING", "propagate": False},
    },
}
