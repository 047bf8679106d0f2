"""Only what pyproject.toml cannot say: dbc/ ships inside the package, as bench/dbcdata."""

from setuptools import find_namespace_packages, setup

setup(
    packages=[*find_namespace_packages(include=["bench*"]), "bench.dbcdata"],
    package_dir={"bench.dbcdata": "dbc"},
)
