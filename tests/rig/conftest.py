"""Both ways to serve a simulated supply."""

import pytest

from bench.lab.supply_server import PtySupply, SocketSupply


@pytest.fixture(params=[PtySupply, SocketSupply], ids=["pty", "socket"])
def serve(request):
    return request.param
