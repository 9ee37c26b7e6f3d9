# syntax=docker/dockerfile:1
# First stage: the environment and the collected static files. Second stage: only what runs.
FROM python:3.12-slim-bookworm AS build

ENV UV_COMPILE_BYTECODE=1 UV_LINK_MODE=copy UV_PYTHON_DOWNLOADS=never UV_PROJECT_ENVIRONMENT=/app/.venv
RUN pip install --no-cache-dir uv
WORKDIR /app
COPY pyproject.toml uv.lock ./
RUN uv sync --frozen --no-dev
COPY manage.py LICENSE ./
COPY analysis analysis
COPY lims lims
COPY templates templates
COPY static static
# Only the addresses of static files matter here: nothing is signed, nothing is connected to.
RUN STATIC_ROOT=/app/collected LIMS_TRIAL=1 .venv/bin/python manage.py collectstatic --no-input --verbosity 0

FROM python:3.12-slim-bookworm

RUN useradd --system --uid 10001 --home-dir /app --shell /usr/sbin/nologin lims \
    && install --directory --owner lims --group lims --mode 0750 /data /data/files /data/files/incoming
COPY --from=build --chown=root:root /app /app
WORKDIR /app
ENV PATH=/app/.venv/bin:$PATH PYTHONUNBUFFERED=1 STATIC_ROOT=/app/collected LIMS_VAR=/data STORAGE_FOLDER=/data/files \
    UPLOAD_TEMP_FOLDER=/data/files/incoming
USER 10001
EXPOSE 8000
CMD ["gunicorn", "lims.wsgi", "--bind", "0.0.0.0:8000", "--workers", "4", "--worker-class", "gthread", "--threads", "4", \
     "--timeout", "120", "--worker-tmp-dir", "/dev/shm", "--no-control-socket", "--access-logfile", "-"]
