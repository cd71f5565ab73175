"""Settings from the environment, or from ``traywright.env``; checked once at the start."""

from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field, field_validator
from pydantic_settings import BaseSettings, SettingsConfigDict
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError

#: The databases served, and the driver each is spoken to with.
_DRIVERS = {"sqlite": "sqlite", "postgresql": "postgresql+psycopg"}


class Settings(BaseSettings):
    """What the service needs to know before it starts.

    Parameters
    ----------
    database_url
        SQLAlchemy URL; an embedded SQLite file by default, PostgreSQL by URL.
    host, port
        Where the service listens.
    timezone
        IANA name of the site's time zone; list days are dates in it.
    upload_limit_bytes, upload_seconds
        The largest request body taken, and how long it may take to arrive.
    seed_folder
        The folder with the demo hospital's files.
    session_hours, idle_minutes
        A session ends after these hours; unused for these minutes, it asks for the PIN.
    trusted_proxies
        Addresses whose X-Forwarded-For and -Proto are believed, with commas between them.
    recall_lifters
        How many people it takes to lift a recall: with two, one asks and another agrees.
    log_json
        Write the log as JSON lines.
    """

    model_config = SettingsConfigDict(
        env_prefix="TRAYWRIGHT_", env_file="traywright.env", extra="ignore"
    )

    database_url: str = "sqlite:///.data/traywright.db"
    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8321
    timezone: str = "Europe/London"
    upload_limit_bytes: Annotated[int, Field(gt=0)] = 20_000_000
    upload_seconds: Annotated[float, Field(gt=0, le=3600)] = 120
    seed_folder: Path = Path(__file__).resolve().parent.parent / "seed_data"
    session_hours: Annotated[int, Field(ge=1, le=24)] = 12
    idle_minutes: Annotated[int, Field(ge=1, le=240)] = 15
    trusted_proxies: str = "127.0.0.1"
    recall_lifters: Annotated[int, Field(ge=1, le=2)] = 1
    log_json: bool = True

    @field_validator("database_url")
    @classmethod
    def _known_database(cls, text: str) -> str:
        try:
            url = make_url(text)
        except ArgumentError as error:
            message = "use a form such as sqlite:///file.db or postgresql://user@host/name"
            raise ValueError(message) from error
        backend = url.get_backend_name()
        if backend not in _DRIVERS:
            message = f"'{backend}' is not supported; use sqlite or postgresql"
            raise ValueError(message)
        return url.set(drivername=_DRIVERS[backend]).render_as_string(hide_password=False)

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError) as error:
            message = f"'{name}' is not an IANA time zone, such as Europe/London"
            raise ValueError(message) from error
        return name
