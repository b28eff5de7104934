from __future__ import annotations

import os
import subprocess
import sys

import pytest

from leadlight.net.self_test import multicast_trouble

CANNOT_UNSHARE = subprocess.run(["unshare", "-rn", "true"], capture_output=True, check=False).returncode != 0


def test_a_group_hears_itself_on_loopback(group: str, port: int) -> None:
    assert multicast_trouble(group, port=port, interface="127.0.0.1") is None


def test_an_interface_that_is_not_there_is_the_trouble(port: int) -> None:
    trouble = multicast_trouble("quarry lake", port=port, interface="no-such-card")
    assert trouble is not None
    assert "no-such-card" in trouble


@pytest.mark.skipif(CANNOT_UNSHARE, reason="network namespaces are not permitted here")
@pytest.mark.parametrize("command", ["lead", "follow"])
def test_without_any_network_a_command_says_what_to_do(command: str) -> None:
    done = subprocess.run(
        ["unshare", "-rn", sys.executable, "-m", "leadlight", command, "--name", "x", "--group", "y", "--no-wait"],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ,
        timeout=30,
    )
    assert done.returncode == 2
    *_, said = done.stderr.splitlines()
    assert said.startswith("leadlight: cannot use group 239.")
    assert "name an interface" in said
    assert "Traceback" not in done.stderr
