"""Where the sample files are: in the installed package, or beside the checkout's."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from fhirdrain.errors import ConfigurationError


def samples_folder() -> Path:
    """Return the folder of the sample bundles; raises `ConfigurationError`."""
    package = files("fhirdrain")
    for folder in (package / "sample_bundles", package / ".." / "sample_bundles"):
        path = Path(str(folder)).resolve()
        if (path / "scenario" / "site.toml").is_file():
            return path
    raise ConfigurationError("the sample bundles are not installed with the package")
