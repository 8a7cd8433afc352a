"""A PostgreSQL for the tests of a module, and an empty database for one of them."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.engines import Postgres, running_postgres


@pytest.fixture(scope="module")
def postgres() -> Iterator[Postgres]:
    with running_postgres() as server:
        yield server


@pytest.fixture
def url(postgres: Postgres) -> str:
    """Of an empty database."""
    return postgres.empty_database("outlast")
