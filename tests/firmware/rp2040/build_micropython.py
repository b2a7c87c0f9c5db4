"""Builds the real rp2 port of MicroPython for a Pico, so that the firmware can be tried on an emulated RP2040.

    python tests/firmware/rp2040/build_micropython.py            # both versions, into the user's cache folder
    python tests/firmware/rp2040/build_micropython.py --version 1.26.1

Sources are the distribution's own packages (`micropython`, `pico-sdk`, `tinyusb-source`), fetched with apt from the
mirror that this machine uses already and checked by apt's hashes, so nothing is taken from elsewhere. Two versions
matter: up to 1.25 a timer calls back through the scheduler, from 1.26 on it may do so from the interrupt. Needs
`gcc-arm-none-eabi libnewlib-arm-none-eabi libstdc++-arm-none-eabi-newlib cmake ninja-build build-essential`.

The one difference from the published build: TLS and what rests on it are left out, since their library is no part of
those packages. The firmware uses none of it.
"""

import argparse
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

from platformdirs import user_cache_path

VERSIONS = {"1.25.0": "trixie", "1.26.1": "sid"}
SDK_SUITE, SDK_VERSION = "trixie", "2.1.1"
TOOLS = ("arm-none-eabi-gcc", "cmake", "ninja", "make", "gcc", "apt-get")
MANIFEST = 'freeze("$(PORT_DIR)/modules")\ninclude("$(MPY_DIR)/extmod/asyncio")\n'
WITHOUT_TLS = {
    "CMakeLists.txt": [
        (r"set\(MICROPY_SSL_MBEDTLS ON\)", "set(MICROPY_SSL_MBEDTLS OFF)"),
        (r".*GIT_SUBMODULES lib/mbedtls\)\n", ""),
        (r".*mbedtls/mbedtls_port\.c\n", ""),
        (r".*target_link_libraries\(.*micropy_lib_mbedtls\)\n", ""),
    ],
    "mpconfigport.h": [
        (r"(#define MICROPY_SSL_MBEDTLS +)\(1\)", r"\1(0)"),
        (r"(#define MICROPY_PY_HASHLIB_SHA1 +)\(1\)", r"\1(0)"),
        (r"(#define MICROPY_PY_CRYPTOLIB +)\(1\)", r"\1(0)"),
        (r"(#define MICROPY_PY_SSL +)\(1\)", r"\1(0)"),
    ],
}
UF2_FAMILY_RP2040, FLASH_BEGINS = "0xe48bff56", "0x10000000"


def images_folder() -> Path:
    """Where built images lie: `micropython-VERSION.uf2`."""
    return user_cache_path("sumpglass-rp2040")


def run(*command: object, folder: Path | None = None, quiet: bool = True) -> str:
    """Output of a command; its last lines and the end of this program when it fails."""
    done = subprocess.run([str(part) for part in command], cwd=folder, capture_output=quiet, text=True, check=False)
    if done.returncode:
        told = ((done.stdout or "") + (done.stderr or "")).splitlines()[-15:]
        sys.exit("\n".join([*told, f"build_micropython: this failed: {' '.join(map(str, command))[:300]}"]))
    return done.stdout or ""


class Packages:
    """The distribution's packages of other suites, in an apt state of their own: the machine's is left as it is."""

    def __init__(self, folder: Path) -> None:
        for part in ("lists/partial", "cache/archives/partial"):
            (folder / part).mkdir(parents=True, exist_ok=True)
        mirror = self._mirror()
        suites = " ".join(sorted({SDK_SUITE, *VERSIONS.values()}))
        listed = folder / "suites.sources"
        listed.write_text(f"Types: deb deb-src\nURIs: {mirror}\nSuites: {suites}\nComponents: main\n")
        own = {
            "Dir::Etc::sourcelist": listed, "Dir::Etc::sourceparts": "-",
            "Dir::State::lists": folder / "lists", "Dir::Cache": folder / "cache",
        }  # fmt: skip
        self._options = [f"-o{key}={value}" for key, value in own.items()]
        run("apt-get", *self._options, "update")

    @staticmethod
    def _mirror() -> str:
        told = run("apt-get", "indextargets", "--format", "$(SITE) $(RELEASE)")
        sites = [line.split()[0] for line in told.splitlines() if "security" not in line]
        if not sites:
            sys.exit("build_micropython: apt knows no mirror on this machine: run `apt-get update` first")
        return sites[0]

    def _fetch(self, pattern: str, folder: Path, *request: str) -> Path:
        for line in run("apt-get", *self._options, "--print-uris", *request).splitlines():
            found = re.match(r"'([^']+)' (\S+) \d+ (\S+)", line)
            if found and re.search(pattern, found[2]):
                target = folder / found[2].replace("%3a", ":")
                if not target.exists():
                    run("/usr/lib/apt/apt-helper", *self._options, "download-file", found[1], target, found[3])
                return target
        sys.exit(f"build_micropython: the mirror has nothing for {' '.join(request)}")

    def source(self, name: str, version: str, suite: str, folder: Path) -> Path:
        """The maker's own files of a source package, unpacked."""
        archive = self._fetch(rf"{version}.*\.orig\.tar", folder, "source", "--download-only", f"{name}/{suite}")
        target = folder / archive.name.split(".orig")[0]
        if not target.exists():
            target.mkdir()
            run("tar", "xf", archive, "--strip-components=1", "-C", target)
        return target

    def binary(self, name: str, folder: Path) -> Path:
        """The files of a binary package, unpacked."""
        archive = self._fetch(r"\.deb$", folder, "download", f"{name}/{SDK_SUITE}")
        target = folder / name
        if not target.exists():
            run("dpkg", "-x", archive, target)
        return target


def without_tls(port: Path) -> None:
    """Take TLS out of the port's own build files."""
    for name, changes in WITHOUT_TLS.items():
        text = (port / name).read_text()
        for pattern, replacement in changes:
            text = re.sub(pattern, replacement, text)
        (port / name).write_text(text)


def build(version: str, packages: Packages, folder: Path) -> Path:
    """The image of one version."""
    image = images_folder() / f"micropython-{version}.uf2"
    source = packages.source("micropython", version, VERSIONS[version], folder)
    libraries = {
        "pico-sdk": packages.source("pico-sdk", SDK_VERSION, SDK_SUITE, folder),
        "tinyusb": packages.binary("tinyusb-source", folder) / "usr/src/tinyusb",
    }
    for name, place in libraries.items():
        link = source / "lib" / name
        if link.is_dir() and not link.is_symlink():
            link.rmdir()
        if not link.exists():
            link.symlink_to(place)
    (source / "lib/micropython-lib").mkdir(exist_ok=True)
    (source / "lib/micropython-lib/README.md").touch()  # the build asks for it even where nothing of it is used
    port, target = source / "ports/rp2", folder / f"build-{version}"
    without_tls(port)
    manifest = folder / "manifest.py"
    manifest.write_text(MANIFEST)
    processors = os.cpu_count() or 1
    run("make", "-C", source / "mpy-cross", f"-j{processors}")
    run(
        "cmake", "-S", port, "-B", target, "-G", "Ninja", "-DMICROPY_BOARD=RPI_PICO", "-DPICO_NO_PICOTOOL=1",
        f"-DMICROPY_FROZEN_MANIFEST={manifest}", f"-DPython3_EXECUTABLE={sys.executable}",
    )  # fmt: skip
    run("ninja", "-C", target, f"-j{processors}")
    image.parent.mkdir(parents=True, exist_ok=True)
    convert = source / "tools/uf2conv.py"
    run(
        sys.executable, convert, "--convert", "--family", UF2_FAMILY_RP2040, "--base", FLASH_BEGINS,
        "--output", image, target / "firmware.bin",
    )  # fmt: skip
    return image


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--version", choices=sorted(VERSIONS), action="append", help="default: all of them")
    parser.add_argument("--folder", type=Path, help="where to build (default: beside the images, some 400 MB)")
    asked = parser.parse_args()
    missing = [tool for tool in TOOLS if not shutil.which(tool)]
    if missing:
        sys.exit(f"build_micropython: {', '.join(missing)} missing: install the packages named in {__file__}")
    folder = (asked.folder or images_folder() / "build").resolve()
    folder.mkdir(parents=True, exist_ok=True)
    packages = Packages(folder / "apt")
    for version in asked.version or sorted(VERSIONS):
        print(build(version, packages, folder))  # noqa: T201


if __name__ == "__main__":
    main()
