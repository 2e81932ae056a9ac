"""Tests of the network ask loopback alone, whatever proxy the machine has."""

import os

import pytest


@pytest.fixture(autouse=True)
def _no_proxies(monkeypatch):
    for name in list(os.environ):
        if name.lower().endswith("_proxy"):
            monkeypatch.delenv(name)
