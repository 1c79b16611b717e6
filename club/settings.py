"""The one settings file. Everything that differs between machines comes from the environment (club/env.py)."""

from datetime import timedelta
from pathlib import Path
from typing import Any

from celery.schedules import crontab
from csp.constants import NONE, SELF

from club import env

BASE_DIR = Path(__file__).resolve().parent.parent
STATE_DIR = Path(env.text("TALLOW_STATE_DIR", str(BASE_DIR / ".local")))

DEBUG = False
DEMO = env.flag("TALLOW_DEMO")
HTTPS = env.flag("TALLOW_HTTPS")
SECRET_KEY = env.text("TALLOW_SECRET_KEY")
ALLOWED_HOSTS = env.text("TALLOW_ALLOWED_HOSTS", "localhost,127.0.0.1,[::1]").split(",")
CSRF_TRUSTED_ORIGINS = [f"https://{host}" for host in ALLOWED_HOSTS] if HTTPS else []

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "django.contrib.gis",
    "csp",
    "rest_framework",
    "drf_spectacular",
    "club.apps.ClubConfig",
    "spots.apps.SpotsConfig",
    "observations.apps.ObservationsConfig",
]

# A 404 takes this long, or a whole multiple of it: see club.guarding. Well above what a refusal costs.
NOT_FOUND_TICK_S = 0.1
MIDDLEWARE = [
    "club.guarding.EvenNotFoundMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "club.guarding.GuardMiddleware",
    "club.guarding.BodyLimitMiddleware",
    "csp.middleware.CSPMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.middleware.gzip.GZipMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    # From here on everything, the rendering of the response included, happens inside one transaction
    # that knows who is looking and when.
    "club.viewer.ViewingMiddleware",
    "club.setup.SetUpMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
]

ROOT_URLCONF = "club.urls"
WSGI_APPLICATION = "club.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": False,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "club.context.page",
                "spots.context.frozen",
                "observations.context.counts",
            ],
            "builtins": ["club.templatetags.marks"],
        },
    }
]

# Three login roles: the owner migrates and backs up; web and worker own nothing (see club/roles.py).
DB_ROLE = env.choice("TALLOW_DB_ROLE", "web", {"owner", "web", "worker"})
DATABASES: dict[str, Any] = {
    "default": {
        "TEST": {"NAME": env.text("TALLOW_TEST_DB", "") or None},
        **env.database(env.text("DATABASE_URL", "postgresql:///tallow"), f"tallow_{DB_ROLE}"),
        "CONN_MAX_AGE": 600,
        "CONN_HEALTH_CHECKS": True,
        # The viewer is set by club.viewer around the whole response; ATOMIC_REQUESTS would open its
        # transaction inside the middleware and lose it.
        "ATOMIC_REQUESTS": False,
        # A policy's sub-selects look dear to the planner, which would compile for 200 ms what runs in 10.
        "OPTIONS": {"options": "-c jit=off" + (" -c statement_timeout=60000" if DB_ROLE == "web" else "")},
    }
}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

AUTH_USER_MODEL = "club.Member"
LOGIN_URL = "/sign-in/"
LOGIN_REDIRECT_URL = "/"
LOGOUT_REDIRECT_URL = "/"
PASSWORD_HASHERS = ["django.contrib.auth.hashers.Argon2PasswordHasher"]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
SESSION_COOKIE_AGE = int(timedelta(days=30).total_seconds())
# How long a session lasts without use, and at most (club/sessions.py). A member logs looks with wet hands and no
# signal, on a phone with a lock of its own: a password there once a month is what one bears, and what is at
# stake is their own. An organiser's session opens the club's spots and everybody's membership: shorter.
SESSION_LIMITS = {
    "member": (timedelta(days=14), timedelta(days=30)),
    "organiser": (timedelta(days=2), timedelta(days=7)),
}
# A browser takes a __Host- cookie from this very host over TLS alone, never from a neighbour or a plain page.
SESSION_COOKIE_NAME = "__Host-tallow" if HTTPS else "tallow"
CSRF_COOKIE_NAME = "__Host-csrftoken" if HTTPS else "csrftoken"
KNOWN_COOKIE_NAME = "__Host-known" if HTTPS else "known"
SESSION_COOKIE_HTTPONLY = True
# What a page is to say next is kept with the session, not in a cookie of its own.
MESSAGE_STORAGE = "django.contrib.messages.storage.session.SessionStorage"
SESSION_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_SAMESITE = "Lax"
INVITATION_DAYS = 14
# Long enough to reach somebody in the evening, too short to lie about in a drawer.
RESET_HOURS = 12
# How often the draw asks for the camera, whatever a look looks like.
CAMERA_CHECK_ODDS = 0.1
# How many of the verified proofs come back, unmarked, to another checker.
RECHECK_ODDS = 0.05
# How many of the cleared pictures are kept for blind calls: nobody is told their species before they have called it.
# With fewer named pictures than this, all are both shown and asked: there would be too few of either.
PRACTICE_ODDS = 0.5
PRACTICE_FROM = 12

USE_TZ = True
TIME_ZONE = "UTC"
LANGUAGE_CODE = "en-gb"
USE_I18N = False

ASSETS_DIR = STATE_DIR / "assets" / "node_modules"
STATIC_URL = "/static/"
STATIC_ROOT = STATE_DIR / "static"
STATICFILES_DIRS: list[Any] = [
    BASE_DIR / "static",
    ("leaflet", ASSETS_DIR / "leaflet" / "dist"),
    ("htmx", ASSETS_DIR / "htmx.org" / "dist"),
    ("fonts/sans", ASSETS_DIR / "@fontsource" / "source-sans-3" / "files"),
    ("fonts/serif", ASSETS_DIR / "@fontsource" / "source-serif-4" / "files"),
]
STORAGES: dict[str, Any] = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
}
# Pictures are never served from a directory; observations.views.picture checks who asks.
MEDIA_ROOT = STATE_DIR / ("media-demo" if DEMO else "media")
# A day's log, waypoints and some ninety pictures; what is larger is not read.
MOST_BODY_BYTES = 260 * 1024 * 1024
DATA_UPLOAD_MAX_MEMORY_SIZE = 20 * 1024 * 1024
FILE_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024
FILE_UPLOAD_PERMISSIONS = 0o600

SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
SECURE_SSL_REDIRECT = HTTPS
SESSION_COOKIE_SECURE = HTTPS
CSRF_COOKIE_SECURE = HTTPS
SECURE_HSTS_SECONDS = 31536000 if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = HTTPS
SECURE_HSTS_PRELOAD = HTTPS
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if HTTPS else None
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF, "data:", "blob:"],
        "font-src": [SELF],
        "connect-src": [SELF],
        "manifest-src": [SELF],
        "worker-src": [SELF],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
        "base-uri": [NONE],
    }
}

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["club.api.ViewerAuthentication"],
    "DEFAULT_PERMISSION_CLASSES": ["club.api.MembersOnly"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "EXCEPTION_HANDLER": "club.api_errors.exception_handler",
    "UNAUTHENTICATED_USER": None,
}
# GDAL before 3.9 cannot be kept from files and network; every file that it reads here is read in a process of its
# own, with limits and one driver (spots/files/), and nothing a viewer types reaches it.
SILENCED_SYSTEM_CHECKS = ["gis.W001"]

SPECTACULAR_SETTINGS = {
    "TITLE": "Tallow",
    "DESCRIPTION": "Spots, looks, proofs and verified history of one club, each as exactly as the caller may see it.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["rest_framework.permissions.AllowAny"],
    "COMPONENT_SPLIT_REQUEST": True,
    "ENUM_NAME_OVERRIDES": {
        "FeatureEnum": ["Feature"],
        "FeatureCollectionEnum": ["FeatureCollection"],
        "VerifiedEnum": ["verified"],
        "GradeEnum": ["seen", "landed", "verified"],
    },
    # Its schemas are JSON Schema itself; 3.0 cannot say that an object may be null.
    "OAS_VERSION": "3.1.0",
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "club.api_schema.common_answers",
    ],
}

_broker, REDIS_URL = env.redis_urls(env.text("REDIS_URL", "redis://127.0.0.1:6379/0"))
CELERY_BROKER_URL = _broker
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_TIMEZONE = "UTC"
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_BEAT_SCHEDULE = {
    # What is due stands in PostgreSQL; this finds what a lost message left behind.
    "refresh what is due": {"task": "observations.jobs.refresh_due", "schedule": 20.0},
    "make small pictures that are due": {"task": "observations.jobs.make_small_pictures", "schedule": 60.0},
    "forget old answers": {"task": "club.jobs.forget_old_answers", "schedule": crontab(hour=4, minute=40)},
    "forget half sent pictures": {"task": "observations.jobs.forget_parts", "schedule": 3600.0},
    "nightly refit": {"task": "observations.jobs.nightly_refit", "schedule": crontab(hour=3, minute=10)},
}
CELERY_BEAT_SCHEDULE_FILENAME = str(STATE_DIR / ("beat-demo" if DEMO else "beat"))

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "filters": {"links": {"()": "club.logs.HideLinks"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "filters": ["links"]}},
    "root": {"handlers": ["console"], "level": "WARNING"},
}
