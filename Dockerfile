# The image of web, worker and beat (see docker-compose.yml).
FROM python:3.11-slim-bookworm

RUN apt-get update \
    && apt-get install -y --no-install-recommends libgdal32 libgeos-c1v5 postgresql-client-15 \
    && rm -rf /var/lib/apt/lists/* \
    && useradd --create-home tallow \
    && install -d -o tallow -g tallow /app

USER tallow
WORKDIR /app
COPY --chown=tallow:tallow . .

# The same set-up as without containers: .venv from the hash-pinned lock, the browser assets, the static
# files. DATABASE_URL is not connected to here; it only says that no server is to be installed.
RUN DATABASE_URL=postgresql:///none TALLOW_SECRET_KEY=only-while-building \
        python3 manage.py collectstatic --noinput \
    && install -d -m 700 .local/media .local/tmp

ENV TALLOW_NO_SETUP=1 \
    PATH=/app/.venv/bin:/usr/local/bin:/usr/bin:/bin \
    DJANGO_SETTINGS_MODULE=club.settings

CMD ["gunicorn", "club.wsgi:application", "--bind", "0.0.0.0:8000", "--worker-class", "gthread", \
     "--workers", "2", "--threads", "4", "--no-control-socket", "--worker-tmp-dir", "/dev/shm"]
