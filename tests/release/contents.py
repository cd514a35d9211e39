"""What a wheel and a source distribution hold: python tests/release/contents.py DIST ROOT."""

from __future__ import annotations

import re
import subprocess
import sys
import tarfile
import zipfile
from email.parser import Parser
from pathlib import Path

BESIDES = {"PKG-INFO", "setup.cfg"}
"""What a source distribution has that the repository has not, but for the egg-info."""
LEFT_OUT = {".gitattributes", ".gitignore"}


def tracked(root: Path) -> set[str]:
    """Files of the repository, or of the folder where it is none."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=root, capture_output=True, text=True)
    if listed.returncode == 0:
        return set(filter(None, listed.stdout.split("\0")))
    return {p.relative_to(root).as_posix() for p in root.rglob("*") if p.is_file()}


def main(dist: str, root: str) -> None:
    """Fail where something is missing, or there that should not be."""
    here = tracked(Path(root))
    (wheel,), (source,) = Path(dist).glob("*.whl"), Path(dist).glob("*.tar.gz")

    with tarfile.open(source) as archive:
        names = {m.name.partition("/")[2] for m in archive.getmembers() if m.isfile()}
    packed = {name for name in names if ".egg-info/" not in name}
    assert packed - BESIDES == here - LEFT_OUT, sorted(packed - BESIDES ^ here - LEFT_OUT)

    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
        (place,) = (name for name in names if name.endswith(".dist-info/METADATA"))
        metadata = Parser().parsestr(archive.read(place).decode("utf-8"))
    info = place.removesuffix("METADATA")
    package = {name for name in names if not name.startswith(info)}
    assert package == {name for name in here if name.startswith("subgrade/")}
    assert f"{info}licenses/LICENSE" in names

    text = (Path(root) / "subgrade" / "__init__.py").read_text(encoding="utf-8")
    version = re.search(r'__version__ = "(.+)"', text)
    assert version, "subgrade/__init__.py states no version"
    assert metadata["Version"] == version[1]
    assert metadata["License-Expression"] == "MIT"
    changes = (Path(root) / "CHANGELOG.md").read_text(encoding="utf-8")
    final = re.match(r"[\d.]+\d", version[1])
    assert final, f"{version[1]} is no version"
    assert f"\n## {final[0]}" in changes, f"CHANGELOG.md has no section {final[0]}"
    print(f"{wheel.name}: {len(package)} files; {source.name}: {len(packed)} files")


if __name__ == "__main__":
    main(*sys.argv[1:])
