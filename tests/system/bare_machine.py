"""The README's commands on a machine that has nothing; a script apart from the tests, as root.

``python -m tests.system.bare_machine --work DIR [--stages base,demo,bare,packages,tests,broker]``
makes a root of Debian 12 with ``python3``, ``python3-venv`` and ``python3-pip``, unpacks the last
commit in it, and types there, as an ordinary user, what stands in the README's code
blocks. Each stage is one line of JSON with its seconds, its exit code and what the root
then takes on the disk:

``base``
    The empty machine.
``demo``
    The first command.
``bare``
    The second command without any package of Debian beyond the three: shows what it then misses.
``packages``
    The line that the second command printed to install them.
``tests``
    The second command as it stands.
``broker``
    mosquitto by the README's page for farm IT, then ``quietclaw run`` with the README's settings,
    ``quietclaw doctor``, and an invented parlor that publishes for two minutes.

``PYTEST_ADDOPTS`` is handed on, so ``bare`` and ``tests`` can be made shorter (``-k``, ``-x``).
Mirror, package index, certificates and proxies are those this machine itself uses. Nothing is
left mounted: every command has a mount namespace of its own.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shlex
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

HOME: Final = Path(__file__).parents[2]
RELEASE: Final = "bookworm"
PACKAGES: Final = "python3,python3-venv,python3-pip,ca-certificates"
CHECKOUT: Final = "/home/trial/quietclaw"
TRIAL: Final = 1000
"""User and group number of the person who types."""
HANDED_ON: Final = ("PYTEST_ADDOPTS", "http_proxy", "https_proxy", "no_proxy")
MOUNTS: Final = (
    "mount --rbind /dev {root}/dev && mount -t proc proc {root}/proc && mount -t tmpfs shm {root}/dev/shm"
)
BROKER: Final = Path(__file__).with_name("bare_broker.sh")


class Machine:
    """A root to type in.

    Parameters
    ----------
    work:
        Folder for the root and for what the commands print.
    """

    def __init__(self, work: Path) -> None:
        self.root = work / "root"
        self._work = work
        self._binds = [value for _, value in _pip_settings() for value in _local_paths(value)]

    def type(self, command: str, *, stage: str, user: int = TRIAL) -> int:
        """Run a shell command inside; what it prints goes to a file named after the stage."""
        inside = [
            "chroot",
            f"--userspec={user}:{user}",
            str(self.root),
            "/usr/bin/env",
            "-i",
            *_environment(user),
        ]
        binds = [
            f"mount --bind -o ro {shlex.quote(path)} {shlex.quote(str(self._inside(path)))}"
            for path in self._binds
        ]
        script = " && ".join(
            [MOUNTS.format(root=self.root), *binds, shlex.join([*inside, "bash", "-c", command])]
        )
        with (self._work / f"{stage}.log").open("a") as log:
            log.write(f"$ {command}\n")
            log.flush()
            words = ["unshare", "--mount", "--pid", "--fork", "--kill-child", "sh", "-c", script]
            return subprocess.run(  # noqa: S603 - our own words
                words, check=False, stdout=log, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL
            ).returncode

    def make(self) -> int:
        """Make the empty machine and put the checkout in it."""
        words = [
            "debootstrap",
            "--variant=minbase",
            f"--include={PACKAGES}",
            RELEASE,
            str(self.root),
            _mirror(),
        ]
        with (self._work / "base.log").open("w") as log:
            code = subprocess.run(words, check=False, stdout=log, stderr=subprocess.STDOUT).returncode  # noqa: S603
        if code:
            return code
        for name in ("etc/resolv.conf", "etc/hosts", "etc/ssl/certs/ca-certificates.crt"):
            (self.root / name).write_bytes(Path("/", name).read_bytes())
        lines = [f"{key} = {value}" for key, value in _pip_settings()]
        (self.root / "etc/pip.conf").write_text("\n".join(["[global]", *lines, ""]))
        for path in self._binds:
            target = self._inside(path)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.mkdir(exist_ok=True) if Path(path).is_dir() else target.touch()
        return self._unpack()

    def told_to_install(self) -> str:
        """Return the line by which the tests asked for what is missing."""
        told = re.findall(r"sudo (apt-get install .*)", (self._work / "bare.log").read_text())
        return f"DEBIAN_FRONTEND=noninteractive {told[-1]}"

    def _unpack(self) -> int:
        owner = f"useradd -m -u {TRIAL} trial; mkdir -p {CHECKOUT}"
        code = self.type(owner, stage="base", user=0)
        into = shlex.quote(f"{self.root}{CHECKOUT}")
        command = f"git -C {shlex.quote(str(HOME))} archive HEAD | tar -x -C {into}"
        words = ["bash", "-o", "pipefail", "-c", command]
        code = code or subprocess.run(words, check=False).returncode  # noqa: S603
        return code or self.type(f"chown -R trial: {CHECKOUT}", stage="base", user=0)

    def _inside(self, path: str) -> Path:
        return self.root / path.lstrip("/")


def _environment(user: int) -> list[str]:
    home = "/root" if user == 0 else "/home/trial"
    handed = {name: os.environ[name] for name in HANDED_ON if name in os.environ}
    own = {"HOME": home, "LANG": "C.UTF-8", "PATH": "/usr/local/bin:/usr/bin:/bin"}
    if user == 0:
        own["PATH"] = f"/usr/sbin:/sbin:{own['PATH']}"
    return [f"{name}={value}" for name, value in (handed | own).items()]


def _mirror() -> str:
    """Return where this machine gets the release from."""
    words = ["apt-get", "indextargets", "--format", "$(SITE)", f"Codename: {RELEASE}", "Created-By: Packages"]
    told = subprocess.run(words, capture_output=True, text=True, check=True).stdout.split()  # noqa: S603
    return told[0]


def _pip_settings() -> list[tuple[str, str]]:
    """Return how this machine's pip finds packages; the environment stands above its files."""
    told = subprocess.run(
        [sys.executable, "-m", "pip", "config", "list"], capture_output=True, text=True, check=True
    ).stdout
    found = dict(re.findall(r"^[\w:]+?\.([\w-]+)='(.*)'$", told, re.MULTILINE)[::-1])
    return [(key, value) for key, value in found.items() if key != "constraint"]


def _local_paths(value: str) -> list[str]:
    """Return the files and folders of this machine that a setting names."""
    paths = [word.removeprefix("file://") for word in value.split()]
    # "/srv/index/simple" links to its neighbours, so the folder above is shown too.
    paths = [path.removesuffix("/simple") for path in paths]
    return [
        path
        for path in paths
        if path.startswith("/") and Path(path).exists() and "ca-certificates" not in path
    ]


def blocks(section: str, language: str = "") -> list[str]:
    """Return the code blocks of a section of the README."""
    text = (HOME / "README.md").read_text().split(f"\n## {section}\n")[1].split("\n## ")[0]
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


def _at_home(command: str) -> str:
    return f"cd {CHECKOUT} && {command}"


def stages(machine: Machine) -> dict[str, Callable[[], int]]:
    """Return what is done at each stage, in order."""
    first, second = blocks("Two commands")[:2]
    second = _at_home(second)
    return {
        "base": machine.make,
        "demo": lambda: machine.type(_at_home(first), stage="demo"),
        "bare": lambda: machine.type(second, stage="bare"),
        "packages": lambda: machine.type(machine.told_to_install(), stage="packages", user=0),
        "tests": lambda: machine.type(second, stage="tests"),
        "broker": lambda: machine.type(_at_home(_broker()), stage="broker", user=0),
    }


def _broker() -> str:
    install = blocks("A real parlor", "sh")[0].replace("sudo ", "")
    return (
        BROKER.read_text()
        .replace("@INSTALL@", install)
        .replace("@SETTINGS@", blocks("A real parlor", "toml")[0])
    )


def main() -> int:
    """Run the stages asked for; the exit code is that of the first that failed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--stages", default="base,demo,bare,packages,tests,broker")
    options = parser.parse_args()
    options.work.mkdir(parents=True, exist_ok=True)
    machine = Machine(options.work.resolve())
    known = stages(machine)
    worst = 0
    for stage in options.stages.split(","):
        began_s = time.monotonic()
        code = known[stage]()
        seconds = round(time.monotonic() - began_s, 1)
        taken = subprocess.run(  # noqa: S603 - our own words
            ["du", "-smx", str(machine.root)],  # noqa: S607
            check=False,
            capture_output=True,
            text=True,
        ).stdout.split()
        print(
            json.dumps({"stage": stage, "seconds": seconds, "exit": code, "root_mb": int(taken[0])}),
            flush=True,
        )
        if stage != "bare":  # it shows what is missing
            worst = worst or code
    return worst


if __name__ == "__main__":
    sys.exit(main())
