"""Each obstacle becomes one plain sentence with its cure."""

from __future__ import annotations

from pathlib import Path

import _obstacles as obstacles
import pytest
from _obstacles import Refusal

LOG = Path("install.log")
UNREACHABLE = "cannot be reached.*HTTPS_PROXY.*--wheels FOLDER"


@pytest.mark.parametrize("version", [(3, 8), (3, 10), (3, 15), (4, 0)])
def test_a_python_without_wheels_is_refused_by_name(version):
    with pytest.raises(
        Refusal, match=rf"This is Python {version[0]}\.{version[1]}; .*Python 3\.11 to 3\.14.*for example: "
    ):
        obstacles.check_python(version)


@pytest.mark.parametrize("version", [(3, 11), (3, 12), (3, 13), (3, 14)])
def test_a_python_with_wheels_passes(version):
    obstacles.check_python(version, bits=64)


def test_a_32_bit_python_is_refused():
    with pytest.raises(Refusal, match=r"32-bit Python.*Install a 64-bit Python"):
        obstacles.check_python((3, 12), bits=32)


def test_a_missing_venv_module_names_the_package_that_has_it():
    with pytest.raises(Refusal, match=r"module ensurepip is missing.*sudo apt install python3\.\d+-venv"):
        obstacles.check_modules(lambda name: None if name == "ensurepip" else object())
    obstacles.check_modules(lambda _name: object())


@pytest.mark.parametrize(
    "folder",
    [
        r"C:\Users\a\OneDrive\catchscreen\.venv",
        r"C:\Users\a\OneDrive - Council\catchscreen\.venv",
        "/home/a/Dropbox/catchscreen/.venv",
        "/Users/a/Library/Mobile Documents/catchscreen/.venv",
        "/Users/a/Library/CloudStorage/GoogleDrive-a@example.org/My Drive/x/.venv",
    ],
)
def test_a_synced_folder_is_refused(folder):
    with pytest.raises(Refusal, match=r"copied to other computers.*--env FOLDER"):
        obstacles.check_folder(folder, windows=False)


@pytest.mark.parametrize("folder", [r"\\server\share\catchscreen\.venv", "//server/share/catchscreen/.venv"])
def test_a_network_share_is_refused(folder):
    with pytest.raises(Refusal, match=r"network share.*--env FOLDER"):
        obstacles.check_folder(folder, windows=True)


def test_an_overlong_path_is_refused_on_windows_only():
    folder = "C:\\" + "x" * 100
    with pytest.raises(Refusal, match=r"too long for Windows \(103 characters, at most 100\)"):
        obstacles.check_folder(folder, windows=True)
    obstacles.check_folder(folder, windows=False)


@pytest.mark.parametrize("folder", ["/home/a/onedriver/.venv", "/home/a/dropboxes/.venv", r"C:\work\catchscreen\.venv"])
def test_a_plain_folder_passes(folder):
    obstacles.check_folder(folder, windows=True)


def test_a_full_disk_is_refused_for_a_folder_that_is_not_there_yet(tmp_path):
    asked = []

    def free(place):
        asked.append(place)
        return 10**9

    with pytest.raises(Refusal, match=r"need about 1\.5 GB, but only 1\.0 GB are free"):
        obstacles.check_space(tmp_path / "a" / "b", free)
    assert asked == [tmp_path]


def test_a_folder_without_wheels_is_refused_with_the_command_that_fills_it(tmp_path):
    with pytest.raises(Refusal, match=r"no wheels in it.*pip download --only-binary :all:"):
        obstacles.check_wheels(tmp_path)
    (tmp_path / "a-1-py3-none-any.whl").write_bytes(b"")
    obstacles.check_wheels(tmp_path)


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ("Retrying: NewConnectionError('...')\nERROR: No matching distribution found for numpy>=2", UNREACHABLE),
        ("SSLError(SSLCertVerificationError(1, '[SSL: CERTIFICATE_VERIFY_FAILED]", "certificate.*PIP_CERT"),
        ("ProxyError('Cannot connect to proxy.', ...)", UNREACHABLE),
        ("The user requested (constraint) affine==3.0.1", "no fitting wheel of affine==3"),
        ("ERROR: No matching distribution found for rasterio>=1.4", r"no fitting wheel of rasterio>=1\.4 for Python 3"),
        ("OSError: [Errno 28] No space left on device", "disk is full"),
        ("ERROR: something new", "Its last lines.*\nERROR: something new"),
    ],
)  # fmt: skip
def test_what_pip_says_becomes_a_sentence(said, sentence):
    import re

    assert re.search(sentence, obstacles.explain_pip(said, None, LOG), re.DOTALL)


def test_a_wheel_missing_from_the_folder_is_named():
    said = "ERROR: Could not find a version that satisfies the requirement scipy>=1.14 (from versions: none)"
    assert "no fitting wheel of scipy>=1.14" in obstacles.explain_pip(said, Path("wheels"), LOG)


def test_no_sentence_blames_the_wrong_thing():
    """A wheels folder never leads to talk of proxies, even where pip mentions a time-out in passing."""
    said = "timed out\nERROR: No matching distribution found for scipy"
    assert "proxy" not in obstacles.explain_pip(said, Path("wheels"), LOG)
