"""Settings from the environment (``TRAYWRIGHT_…``), checked once at the start."""

from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field, field_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

__all__ = ["Settings"]


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
    upload_limit_bytes
        The largest request body taken.
    seed_folder
        The folder with the demo hospital's files.
    default_actor
        The name written beside a change when a request names nobody.
    """

    model_config = SettingsConfigDict(env_prefix="TRAYWRIGHT_", extra="ignore")

    database_url: str = "sqlite:///.data/traywright.db"
    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8321
    timezone: str = "Europe/London"
    upload_limit_bytes: Annotated[int, Field(gt=0)] = 20_000_000
    seed_folder: Path = Path(__file__).resolve().parent.parent / "seed_data"
    default_actor: str = "unnamed"

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError) as error:
            message = f"'{name}' is no IANA time zone, such as Europe/London"
            raise ValueError(message) from error
        return name
