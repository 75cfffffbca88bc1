"""The specification's own examples: 64 Observations and 44 Bundles, none of which may be refused.

npm hl7.fhir.r4.examples 4.0.1 (CC0). It is fetched once with npm and kept in pytest's cache; what
we refuse all the same stands in REFUSED with its reason. FHIRDRAIN_EXAMPLES=required, as in
`.ci/run`, fails where it cannot be fetched; FHIR_R4_EXAMPLES names an archive that is at hand.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tarfile
from collections import Counter
from pathlib import Path

import pytest

from fhirdrain.conformance import check_bytes

PACKAGE = "hl7.fhir.r4.examples@4.0.1"

ANOTHER_ID = "fullUrl names another id than the resource has (R4, Bundle.entry.fullUrl: SHALL NOT)"
REFUSED = {
    ("Bundle-dataelements.json", "bdl-7"): (
        "several entries have one full URL and no version (R4, invariant bdl-7)"
    ),
    ("Observation-clinical-gender.json", "reference-target"): (
        "its performer is an Encounter, which Observation.performer does not allow"
    ),
    ("Bundle-10bb101f-a121-4264-a920-67be9cb82c74.json", "full-url"): ANOTHER_ID,
    ("Bundle-3a0707d3-549e-4467-b8b8-5a2ab3800efe.json", "full-url"): ANOTHER_ID,
    ("Bundle-b0a5e4277-83c4-4adb-87e2-e3efe3369b6f.json", "required-code"): (
        "a parameter of its media types holds a space or a stroke without quotes (RFC 2045 5.1)"
    ),
    ("Bundle-lri-example.json", "full-url"): ANOTHER_ID,
}


def unreachable(reason: str) -> None:
    if os.environ.get("FHIRDRAIN_EXAMPLES") == "required":
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="module")
def archive(request) -> Path:
    if named := os.environ.get("FHIR_R4_EXAMPLES"):
        return Path(named)
    folder = Path(request.config.cache.mkdir("r4-examples"))
    path = folder / "hl7.fhir.r4.examples-4.0.1.tgz"
    if path.is_file():
        return path
    npm = shutil.which("npm")
    if npm is None:
        unreachable("npm is not here to fetch the examples")
    fetched = subprocess.run(
        [str(npm), "pack", "--silent", PACKAGE, "--pack-destination", str(folder)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    if fetched.returncode != 0 or not path.is_file():
        unreachable("the registry of the examples is out of reach")
    return path


@pytest.mark.parametrize(("kind", "count"), [("Observation", 64), ("Bundle", 44)])
def test_what_the_specification_holds_valid_is_not_refused(archive, kind, count):
    refused: Counter[tuple[str, str]] = Counter()
    seen = 0
    with tarfile.open(archive) as package:
        for member in package:
            name = Path(member.name).name
            if not name.startswith(f"{kind}-"):
                continue
            seen += 1
            stream = package.extractfile(member)
            assert stream is not None
            for issue in check_bytes(stream.read(), name):
                if issue.is_error:
                    refused[name, issue.rule] += 1
    assert seen == count
    assert set(refused) == {key for key in REFUSED if key[0].startswith(f"{kind}-")}
