from __future__ import annotations

import os

import pytest

from leadlight.net.self_test import multicast_trouble

INTERFACE = "127.0.0.1"


@pytest.fixture(scope="session")
def port(worker_id: str) -> int:
    """A port of this worker's own, above those that systems hand out by themselves."""
    worker = int(worker_id.removeprefix("gw")) if worker_id.startswith("gw") else 0
    return 61_000 + (os.getpid() * 16 + worker) % 4_000


@pytest.fixture
def group(port: int, request: pytest.FixtureRequest) -> str:
    """A group of this test's own, so that runs at the same time never meet; skips where multicast cannot work."""
    name = f"{request.node.name} in {os.getpid()}"
    trouble = multicast_trouble(name, port=port, interface=INTERFACE)
    if trouble is not None:
        pytest.skip(f"no multicast on loopback: {trouble}")
    return name
