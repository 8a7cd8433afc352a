"""What outlast.toml may say where an address, a name or a number stands; each says how a wrong one is mended."""

from __future__ import annotations

import re
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AfterValidator, ValidationInfo

from collector.config.refused import Refused
from forecaster.texts.catalogue import Said

EMBEDDED = "embedded"


def not_yes_no(value: object) -> object:
    """A number, never yes or no."""
    if isinstance(value, bool):
        raise Refused(Said("config.it_should_be_a_number_not"))
    return value


def without_password(text: str) -> str:
    """What was written for an address, fit to be shown: without a password that stands in it."""
    return re.sub(r"(//[^/@:]*):[^/]*@", r"\1:***@", text)


def broker_url(text: str) -> str:
    """Where a broker is reached, without a password in it."""
    if text == EMBEDDED:
        return text
    try:
        parts = urlsplit(text)
        good = parts.scheme in {"mqtt", "mqtts"} and bool(parts.hostname) and (parts.port or 1) > 0
    except ValueError:
        good = False
    if not good or parts.path.strip("/") or parts.query:
        raise Refused(
            Said("config.is_not_a_broker", text=without_password(text)), Said("config.write_mqtt_host_1883_mqtts_host")
        )
    if parts.password is not None:
        raise Refused(Said("config.a_password_stands_in_the_address"), Said("config.put_it_in_a_file_and"))
    return text


def broker_place(url: str) -> tuple[str | None, int]:
    """Host and port of a broker's address; the port that is usual where none is written."""
    parts = urlsplit(url)
    return parts.hostname, parts.port or (8883 if parts.scheme == "mqtts" else 1883)


def different_brokers(more: tuple[str, ...], info: ValidationInfo) -> tuple[str, ...]:
    """Further brokers, each named once: two sessions of one name at one broker end each other for ever."""
    places = [broker_place(url) for url in (*more, info.data.get("url", EMBEDDED))]
    if len(set(places)) < len(places):
        raise Refused(Said("config.a_broker_is_named_twice"), Said("config.name_each_broker_once"))
    return more


BrokerUrl = Annotated[str, AfterValidator(broker_url)]
MoreBrokers = Annotated[tuple[BrokerUrl, ...], AfterValidator(different_brokers)]


def store_url(text: str) -> str:
    """Where readings or findings are kept."""
    scheme = text.partition("://")[0]
    if scheme not in {"sqlite", "influx+http", "influx+https", "postgresql", "postgresql+psycopg"} or "://" not in text:
        raise Refused(
            Said("config.is_not_a_store", text=without_password(text)), Said("config.write_sqlite_outlast_db_or_influx")
        )
    return text


def host_name(text: str) -> str:
    """A name or address that browsers ask for, in lower case."""
    if not re.fullmatch(r"[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?|\[[0-9A-Fa-f:.]+\]", text):
        raise Refused(Said("config.is_not_a_host_name_3", text=text), Said("config.write_it_as_outlast_example_org"))
    return text.lower()


HostName = Annotated[str, AfterValidator(host_name)]


def public_address(text: str) -> str:
    """Where the pages are reached from outside."""
    if not is_web_address(text):
        raise Refused(Said("config.is_not_an_address", text=text), Said("config.write_https_outlast_example_org"))
    return text


def is_web_address(text: str) -> bool:
    """Whether a text is an address of http or https with a host, and with a port from 1 on where it has one."""
    try:
        parts = urlsplit(text)
        return parts.scheme in {"http", "https"} and bool(parts.hostname) and (parts.port or 1) > 0
    except ValueError:
        return False
