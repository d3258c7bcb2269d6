"""The central database and the sites that deliver to it, as the tests of delivery make them."""

from tests.ingestd.delivery.conftest import (  # noqa: F401 - fixtures are found by name
    centre,
    make_site,
    server,
)
