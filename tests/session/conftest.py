"""Caches of these tests lie in their own folder."""

import pytest


@pytest.fixture(autouse=True)
def cache(tmp_path_factory, monkeypatch):
    folder = tmp_path_factory.mktemp("cache")
    monkeypatch.setenv("HARDSTAND_CACHE", str(folder))
    return folder
