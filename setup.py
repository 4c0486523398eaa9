"""The compiled parts; everything else is in pyproject.toml."""

from setuptools import setup

setup(
    cffi_modules=[
        "host/reedproof/sim/core_build.py:ffi",
        "host/reedproof/analysis/align_build.py:ffi",
    ]
)
