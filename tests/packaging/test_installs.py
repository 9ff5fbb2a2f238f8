"""The profiles are found in an editable install, in a wheel, and in a wheel built from the sdist.

The hooks are those of PEP 517 and PEP 660, called as pip calls them, with the
build backend of the environment that runs the tests: nothing is downloaded.
"""

import json
import os
import subprocess
import sys
import sysconfig
import tarfile
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
BUILD = "import sys; from hatchling import build; print(getattr(build, sys.argv[1])(sys.argv[2]))"

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]


def build(hook: str, source: Path, out: Path) -> Path:
    """Return the file that a build hook makes of a source tree."""
    done = subprocess.run(
        [sys.executable, "-c", BUILD, hook, str(out)], cwd=source, capture_output=True, text=True, check=True
    )
    return out / done.stdout.split()[-1]


def install(wheel: Path, folder: Path) -> Path:
    """Return the bin folder of a new environment with a wheel and this one's other packages."""
    venv.create(folder, with_pip=False, symlinks=True)
    python = folder / "bin" / "python"
    command = [sys.executable, "-m", "pip", "--python", python, "--disable-pip-version-check", "install", "-q"]
    subprocess.run([*command, "--no-deps", "--no-index", wheel], check=True, capture_output=True)
    site = next((folder / "lib").glob("python*/site-packages"))
    # packages of the testing environment, but not its own replank: a folder named in a .pth file
    # is not searched for further .pth files
    (site / "others.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return folder / "bin"


def found_profiles(binaries: Path, elsewhere: Path) -> tuple[Path, list[str]]:
    """Return where an installed replank looks for shipped profiles, and which it finds."""
    environ = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    said = subprocess.run(
        [binaries / "replank", "where", "--json"],
        cwd=elsewhere,
        env=environ,
        capture_output=True,
        text=True,
        check=True,
    )
    folder = Path(json.loads(said.stdout)["shipped_profiles"]["path"])
    return folder, sorted(path.name for path in folder.glob("*.yaml"))


SHIPPED = sorted(path.name for path in (ROOT / "profiles").glob("*.yaml"))


def test_there_are_profiles_to_ship():
    assert SHIPPED


def test_editable(tmp_path):
    wheel = build("build_editable", ROOT, tmp_path)
    folder, names = found_profiles(install(wheel, tmp_path / "env"), tmp_path)
    assert names == SHIPPED
    assert folder.resolve() == ROOT / "profiles"


def test_wheel_and_what_is_missing_from_a_broken_one(tmp_path):
    wheel = build("build_wheel", ROOT, tmp_path)
    folder, names = found_profiles(install(wheel, tmp_path / "env"), tmp_path)
    assert names == SHIPPED
    assert folder.is_relative_to(tmp_path / "env")
    # negative control: a wheel made without following the link
    broken = tmp_path / "broken" / wheel.name
    broken.parent.mkdir()
    with zipfile.ZipFile(wheel) as whole, zipfile.ZipFile(broken, "w") as rest:
        for name in whole.namelist():
            if not name.startswith("replank/profiles/"):
                rest.writestr(name, whole.read(name))
    assert found_profiles(install(broken, tmp_path / "env2"), tmp_path)[1] != SHIPPED


def test_wheel_from_the_sdist(tmp_path):
    sdist = build("build_sdist", ROOT, tmp_path)
    with tarfile.open(sdist) as packed:
        packed.extractall(tmp_path / "source", filter="data")
    source = next((tmp_path / "source").iterdir())
    for name in ("LICENSE", "README.md", "scripts/test", "tests/conftest.py", "examples/open-night.set.yaml"):
        assert (source / name).is_file(), name
    wheel = build("build_wheel", source, tmp_path)
    folder, names = found_profiles(install(wheel, tmp_path / "env"), tmp_path)
    assert names == SHIPPED
    assert folder.is_relative_to(tmp_path / "env")
    with zipfile.ZipFile(wheel) as files:
        assert not [name for name in files.namelist() if name.startswith(("tests/", "scripts/"))]
