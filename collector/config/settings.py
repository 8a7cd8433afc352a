"""The installation: outlast.toml, OUTLAST_SECTION__NAME from the environment, and sites/*.toml."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, SettingsError

from collector.config import addresses
from collector.config.errors import config_error, nearest
from collector.config.named import readable
from collector.config.secret_file import read_secret
from collector.config.set_aside import SetAside, find_sites
from collector.config.site_file import load_site, site_toml
from collector.config.site_model import Language
from collector.config.toml_file import read_toml
from forecaster.domain.errors import ConfigError
from forecaster.domain.site import Site
from forecaster.texts.catalogue import SOURCE, Said

__all__ = ["Installation", "load_installation", "load_site", "site_toml"]

PREFIX = "OUTLAST_"
Number = Annotated[float, BeforeValidator(addresses.not_yes_no)]
Whole = Annotated[int, BeforeValidator(addresses.not_yes_no)]


class InstallationSection(BaseModel):
    """A section of outlast.toml. Relative file names are taken from the installation's folder."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    @field_validator("*")
    @classmethod
    def _readable(cls, value: Any) -> Any:
        """Each text, and each of several, without what nobody sees."""
        for text in value if isinstance(value, tuple) else (value,):
            if isinstance(text, str):
                readable(text)
        return value


class Broker(InstallationSection):
    """[broker] — where messages come from.

    more_urls — further brokers on which collectors that join keep sessions, with the same users and certificates
    client_id : str | None — stable name of the session; None: made once and kept in the ledger
    listen_host, listen_port — where the embedded broker listens
    keepalive_s, session_expiry_s — [s]
    homie : bool | None — whether sites appear as Homie devices; None: where there are at most fifty
    """

    url: addresses.BrokerUrl = Field(default="mqtt://127.0.0.1:1883", examples=['"mqtt://host:1883"'])
    more_urls: addresses.MoreBrokers = Field(default=(), examples=['["mqtts://b.example.org:8883"]'])
    client_id: str | None = Field(default=None, min_length=1, max_length=128, examples=['"outlast-larkspur"'])
    username: str | None = Field(default=None, examples=['"outlast"'])
    password_file: Path | None = Field(default=None, examples=['"broker-password"'])
    ca_file: Path | None = Field(default=None, examples=['"ca.crt"'])
    listen_host: str = Field(default="127.0.0.1", examples=['"0.0.0.0"'])
    listen_port: Whole = Field(default=1883, ge=0, le=65_535, examples=["1883"])
    keepalive_s: Whole = Field(default=30, ge=5, le=65_535, examples=["30"])
    session_expiry_s: Whole = Field(default=14 * 86_400, ge=60, le=2**32 - 1, examples=["1209600"])
    homie: bool | None = Field(default=None, examples=["true"])

    @property
    def each(self) -> tuple[Broker, ...]:
        """This broker, and the further ones as it."""
        alone = self.model_copy(update={"more_urls": ()})
        return alone, *(alone.model_copy(update={"url": url}) for url in self.more_urls)

    @property
    def embedded(self) -> bool:
        """Whether this program carries its own broker."""
        return self.url == addresses.EMBEDDED

    @property
    def host(self) -> str:
        """Host to connect to."""
        return self.listen_host if self.embedded else str(urlsplit(self.url).hostname)

    @property
    def port(self) -> int:
        """Port to connect to."""
        if self.embedded:
            return self.listen_port
        return addresses.broker_place(self.url)[1]

    @property
    def tls(self) -> bool:
        """Whether the connection is encrypted."""
        return self.url.startswith("mqtts://")

    @property
    def user(self) -> str | None:
        """User name, from username or from the address."""
        return self.username or (None if self.embedded else urlsplit(self.url).username)

    def password(self) -> str | None:
        """The password, read from its file now. ConfigError where the file cannot be read."""
        return read_secret(self.password_file, "broker.password_file")


class Store(InstallationSection):
    """[store] — where readings and the ledger live.

    url : str — of the readings
    ledger : str | None — of the ledger; None: an SQLite file beside the readings, or in the installation's folder
    token_file : Path | None — secret of a time-series server
    wal_limit_mb : float — the embedded store's write-ahead log is folded in from this size on [MB]
    commit_window_ms : float — how long the first reading of a commit may wait for others; 0: not at all [ms]
    outbox : Path — folder where readings wait for a time-series server that is away
    outbox_limit_mb : float — how much may wait there before the broker has to hold the rest [MB]
    """

    url: Annotated[str, AfterValidator(addresses.store_url)] = Field(
        default="sqlite:///outlast.db", examples=['"sqlite:///outlast.db"']
    )
    ledger: Annotated[str, AfterValidator(addresses.store_url)] | None = Field(
        default=None, examples=['"sqlite:///ledger.db"']
    )
    token_file: Path | None = Field(default=None, examples=['"store-token"'])
    wal_limit_mb: Number = Field(default=64.0, ge=1, examples=["64"])
    commit_window_ms: Number = Field(default=0.0, ge=0, le=60_000, examples=["0", "1000"])
    outbox: Path = Field(default=Path("outbox"), examples=['"outbox"'])
    outbox_limit_mb: Number = Field(default=1024.0, ge=1, examples=["1024"])

    @property
    def on_server(self) -> bool:
        """Whether the readings are on a time-series server."""
        return self.url.startswith("influx+")

    def token(self) -> str | None:
        """The token, read from its file now. ConfigError where the file cannot be read."""
        return read_secret(self.token_file, "store.token_file")


class Http(InstallationSection):
    """[http] — where the API and the pages are served.

    hosts : names under which others reach them through a proxy; public_url : the address in mails and notices
    cors_origins : pages of your own on other origins whose scripts may use the API, with a token
    site_metrics : whether /metrics has gauges of each site
    """

    host: str = Field(default="127.0.0.1", min_length=1, examples=['"127.0.0.1"'])
    port: Whole = Field(default=8642, ge=0, le=65_535, examples=["8642"])
    hosts: tuple[addresses.HostName, ...] = Field(default=(), examples=['["pump.example.org"]'])
    public_url: Annotated[str, AfterValidator(addresses.public_address)] | None = Field(
        default=None, examples=['"https://pump.example.org"']
    )
    cors_origins: tuple[Annotated[str, Field(pattern=r"^https?://[^/\s*]+$")], ...] = Field(
        default=(), examples=['["https://dashboard.example.org"]']
    )
    site_metrics: bool = Field(default=True, examples=["true"])


class Mail(InstallationSection):
    """[mail] — the server that takes alarm mails; without a host no mail is sent."""

    host: str | None = Field(default=None, min_length=1, examples=['"mail.example.org"'])
    port: Whole = Field(default=587, ge=1, le=65_535, examples=["587"])
    security: Literal["starttls", "tls", "none"] = Field(default="starttls", examples=['"starttls"'])
    username: str | None = Field(default=None, examples=['"outlast"'])
    password_file: Path | None = Field(default=None, examples=['"mail-password"'])
    sender: str | None = Field(default=None, pattern=r"^[^@\s]+@[^@\s]+$", examples=['"pump@example.org"'])
    ca_file: Path | None = Field(default=None, examples=['"ca.crt"'])

    def password(self) -> str | None:
        """The password, read from its file now. ConfigError where the file cannot be read."""
        return read_secret(self.password_file, "mail.password_file")


class Push(InstallationSection):
    """[push] — browser push: a contact for the push services (RFC 8292 sub), and a key file of your own.

    key_file : where the key is kept, made when missing; left out, the program keeps it where all its processes find it
    allow_hosts : names of push services that may lie inside a private network; others there are refused
    """

    contact: str | None = Field(default=None, pattern=r"^(mailto:|https://)", examples=['"mailto:owner@example.org"'])
    key_file: Path | None = Field(default=None, examples=['"push-key.pem"'])
    allow_hosts: tuple[str, ...] = Field(default=(), examples=['["push.larkspur.internal"]'])


class Heartbeat(InstallationSection):
    """[heartbeat] — an address that is asked for while all is well; a dead-man service alarms when it stops."""

    url: str | None = Field(default=None, pattern=r"^https?://", examples=['"https://watch.example.org/ping/cellar"'])
    every_s: Number = Field(default=60.0, ge=10, le=86_400, examples=["60"])


class Retention(InstallationSection):
    """[retention] — how long things are kept [days]; discharge tests are kept for ever.

    `hours_days` is for readings on InfluxDB, summed up by the hour.
    """

    readings_days: Number = Field(default=400.0, ge=1, examples=["400"])
    hours_days: Number = Field(default=3653.0, ge=1, examples=["3653"])
    ledger_days: Number = Field(default=1830.0, ge=1, examples=["1830"])


class Studies(InstallationSection):
    """[studies] — the daily studies of the long record; how many sites one `outlast study --join` studies at once."""

    at_once: Whole = Field(default=1, ge=1, le=64, examples=["2"])


class InWords(InstallationSection):
    """[words] — the language of pages and messages, where the site, the contact or the browser asks for no other."""

    language: Language = Field(default=SOURCE, examples=['"en"'])


class _Model(BaseSettings):
    model_config = SettingsConfigDict(
        extra="forbid", frozen=True, env_prefix=PREFIX, env_nested_delimiter="__", env_ignore_empty=True
    )

    broker: Broker = Broker()
    store: Store = Store()
    http: Http = Http()
    mail: Mail = Mail()
    push: Push = Push()
    retention: Retention = Retention()
    heartbeat: Heartbeat = Heartbeat()
    words: InWords = InWords()
    studies: Studies = Studies()

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """The environment takes precedence over the file; there are no other sources."""
        del settings_cls, dotenv_settings, file_secret_settings
        return (env_settings, init_settings)


@dataclass(frozen=True, slots=True)
class Installation:
    """A folder with outlast.toml and sites/, read and checked.

    set_aside : tuple[SetAside, ...] — site files, channels and contacts that could not be read
    """

    folder: Path
    broker: Broker
    store: Store
    http: Http
    mail: Mail
    push: Push
    retention: Retention
    sites: dict[str, Site]
    heartbeat: Heartbeat = field(default_factory=Heartbeat)
    words: InWords = field(default_factory=InWords)
    studies: Studies = field(default_factory=Studies)
    set_aside: tuple[SetAside, ...] = ()

    @property
    def readings_url(self) -> str:
        """URL of the reading store."""
        return self.store.url

    @property
    def ledger_url(self) -> str:
        """URL of the ledger."""
        if self.store.ledger is not None:
            return self.store.ledger
        if self.store.url.startswith("sqlite:///"):
            path = Path(self.store.url.removeprefix("sqlite:///"))
            return f"sqlite:///{path.with_name(path.stem + '-ledger' + path.suffix)}"
        return f"sqlite:///{self.folder / 'outlast-ledger.db'}"

    @property
    def shares_ledger(self) -> bool:
        """Whether the ledger is on a server, so that several machines may write into it."""
        return not self.ledger_url.startswith("sqlite:///")

    @property
    def databases(self) -> tuple[Path, ...]:
        """The database files of readings and ledger that are SQLite files."""
        urls = (self.readings_url, self.ledger_url)
        return tuple(Path(url.removeprefix("sqlite:///")) for url in urls if url.startswith("sqlite:///"))

    @property
    def state_folder(self) -> Path:
        """Where the program writes files of its own: beside its databases, else in the outbox folder."""
        return self.databases[-1].parent if self.databases else self.store.outbox

    def own_file(self, name: str) -> Path:
        """A file that the program makes for itself. One made beside the settings by an earlier release stays in use."""
        beside = self.folder / name
        return beside if beside.exists() else self.state_folder / name


def load_installation(folder: Path) -> Installation:
    """Read and check outlast.toml, the environment and every site file; what cannot be read of these is set aside.

    folder : Path — an installation's folder
    Errors: ConfigError with file, key, problem and fix.
    """
    file = folder / "outlast.toml"
    if not folder.is_dir():
        raise ConfigError(
            str(folder), "", Said("config.there_is_no_such_folder"), Said("config.name_an_installation_with_config_dir")
        )
    content = read_toml(file)
    _check_environment(os.environ)
    try:
        model = _Model(**content)
    except ValidationError as error:
        raise _named(config_error(error, _Model, str(file)), content, os.environ) from error
    except SettingsError as error:
        problem = Said("config.a_whole_section_cannot_be_read", error=str(error))
        raise ConfigError("environment", PREFIX + "…", problem, Said("config.set_one_name_each_as_outlast")) from error
    found = find_sites(folder / "sites", model.words.language)
    return Installation(
        folder=folder,
        broker=_placed(model.broker, folder),
        store=_placed(model.store, folder),
        http=model.http,
        mail=_placed(model.mail, folder),
        push=_placed(model.push, folder),
        retention=model.retention,
        sites=found.sites,
        heartbeat=model.heartbeat,
        words=model.words,
        studies=model.studies,
        set_aside=found.set_aside,
    )


def load_sites(folder: Path, language: str = SOURCE) -> dict[str, Site]:
    """The sites of a folder by id, without what cannot be read. language : that of sites that name none."""
    return find_sites(folder, language).sites


def _check_environment(environ: Mapping[str, str]) -> None:
    for name in environ:
        if not name.startswith(PREFIX) or "__" not in name:
            continue
        section = name.removeprefix(PREFIX).partition("__")[0].lower()
        if section not in _Model.model_fields:
            close = nearest(section, _Model.model_fields)
            fix = (
                Said("config.did_you_mean_2", prefix=PREFIX, upper=close.upper()) if close else Said("config.remove_it")
            )
            raise ConfigError("environment", name, Said("config.there_is_no_such_section"), fix)


def _named(error: ConfigError, content: Mapping[str, Any], environ: Mapping[str, str]) -> ConfigError:
    """The same error, naming the environment variable where the value came from one."""
    section, _, key = error.key.partition(".")
    name = f"{PREFIX}{section}__{key}".upper()
    if key and any(name == present.upper() for present in environ):
        return ConfigError("environment", name, error.problem, error.fix)
    if not key and section in content and not isinstance(content[section], dict):
        return ConfigError(
            error.file,
            section,
            Said("config.it_should_be_a_section"),
            Said("config.write_on_its_own_line", section=section),
        )
    return error


S = TypeVar("S", bound=InstallationSection)


def _placed(section: S, folder: Path) -> S:
    """The section with relative file names resolved against the installation's folder."""
    moved: dict[str, Any] = {}
    for name in type(section).model_fields:
        value = getattr(section, name)
        if isinstance(value, Path) and not value.is_absolute():
            moved[name] = folder / value
        elif isinstance(value, str) and name in {"url", "ledger"} and value.startswith("sqlite:///"):
            moved[name] = f"sqlite:///{folder / value.removeprefix('sqlite:///')}"
    return section.model_copy(update=moved)
