"""The settings, read once from the environment."""

from pathlib import Path

import platformdirs
from pydantic import AliasChoices, Field, SecretStr
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """What a deployment may choose; every name starts with ``HEAPLEDGER_`` except ``DATABASE_URL``."""

    model_config = SettingsConfigDict(env_prefix="HEAPLEDGER_", frozen=True, populate_by_name=True)

    database_url: SecretStr | None = Field(
        default=None,
        validation_alias=AliasChoices("DATABASE_URL", "database_url"),
        description="The PostgreSQL to use, as the service's login; none starts the embedded server.",
    )
    owner_url: SecretStr | None = Field(
        default=None, description="The login that owns the schema, for migrations; DATABASE_URL when absent."
    )
    data_dir: Path = Field(
        default_factory=lambda: Path(platformdirs.user_data_dir("heapledger", appauthor=False)),
        description="Where the embedded server keeps its data.",
    )
    host: str = "127.0.0.1"
    pool_size: int = Field(default=12, ge=1, le=200)
    ingest_writers: int = Field(default=2, ge=1, le=16, description="Connections that write readings.")
    max_body_bytes: int = Field(default=1 << 20, ge=1024, description="Largest request body on the wire.")
    max_bag_bytes: int = Field(default=8 << 20, ge=1024, description="Largest bag of readings.")
    max_import_bytes: int = Field(
        default=200 << 20, ge=1024, description="Largest file of readings to import, on the wire."
    )
    max_stream_bytes: int = Field(default=1 << 30, ge=1024, description="Longest stream of lines, inflated.")
    posts_per_minute: int = Field(
        default=600,
        ge=0,
        description="Posts of readings a key may make in a minute, per process; 0: any number.",
    )
    max_check_bytes: int = Field(
        default=16 << 20,
        ge=1024,
        description="Largest body of a compliance check, which brings its readings along.",
    )
    max_records: int = Field(default=10_000, ge=1, description="Most readings in one request.")
    key_cache_s: float = Field(
        default=5.0, ge=0, description="How long a checked key is trusted; a revoked key may live so long."
    )
    broker_url: SecretStr | None = Field(
        default=None,
        description="The MQTT broker of 'heapledger bridge': mqtt://user@host:1883, mqtts:// for TLS.",
    )
    broker_password: SecretStr | None = Field(
        default=None, description="The bridge's password at the broker, unless broker_url holds it."
    )
    broker_client_id: str = Field(
        default="heapledger-bridge", description="Names the session the broker keeps; one for each bridge."
    )
    log_key: SecretStr | None = Field(
        default=None,
        description="Signs the log's checkpoints: an Ed25519 private key, 32 random bytes in base64. With the embedded"
        " server one is made and kept in the data folder.",
    )
    log_name: str = Field(
        default="heapledger",
        description="What the logs' origins begin with; best a name of yours, such as compost.example/log.",
    )
    mqtt_version: str = Field(default="5", description="5, or 3.1.1 for an older broker.")
