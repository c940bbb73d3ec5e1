"""The service as it is, over the database named in the environment."""

from __future__ import annotations

from fastapi import FastAPI

from service.app import create_app
from service.settings import Settings


def app() -> FastAPI:
    """The service."""
    return create_app(Settings())
