"""Compiles filter and forecast while siccast is built, where there is a compiler; without one the build goes on.

A hook of the build (hatchling). Each compiled file goes beside its source, where an installation from a clone finds
it and a wheel takes it along.
"""

from __future__ import annotations

import os
import runpy
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

FLAGS = ["-O3", "-g0", "-fno-math-errno", "-fno-trapping-math"] if os.name == "posix" else []
"""No mathematical function has to set `errno`, and no division has to trap: else no loop works on several draws."""


class CompileKernel(BuildHookInterface[Any]):
    """Adds the compiled modules to a wheel."""

    PLUGIN_NAME = "custom"

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:  # noqa: ARG002 -- as the builder calls it
        if self.target_name != "wheel":
            return
        try:
            compiled = compile_kernels(Path(self.root))
        except (Exception, SystemExit) as error:  # a build without it is a build; setuptools exits where it fails
            self.app.display_warning(f"nothing is compiled, numpy does its work, slower: {error}")
            return
        build_data["artifacts"] += ["/" + file.as_posix() for file in compiled]
        build_data["pure_python"], build_data["infer_tag"] = False, True


def compile_kernels(root: Path) -> list[Path]:
    """Compile the modules below a folder that holds `monitor`; return the files, relative to it."""
    from Cython.Build import cythonize  # noqa: PLC0415 -- where they are missing, only this fails
    from setuptools import Distribution, Extension  # noqa: PLC0415

    ours = runpy.run_path(str(root / "monitor/physics/compiled.py"))
    fingerprint = ours["sources_sha256"](root / "monitor")
    before = Path.cwd()
    with tempfile.TemporaryDirectory() as work:
        extensions = [
            Extension(
                name,
                [name.replace(".", "/") + ".pyx"],
                define_macros=[("SOURCES_SHA256", f'"{fingerprint}"')],
                extra_compile_args=FLAGS,
                libraries=["m"] if os.name == "posix" else [],
            )
            for name in ours["KERNELS"]
        ]
        try:
            os.chdir(root)  # Cython finds packages from here
            extensions = cythonize(extensions, build_dir=work, quiet=True, include_path=["."])
            command = Distribution({"ext_modules": extensions}).get_command_obj("build_ext")
            command.build_temp, command.build_lib = work, "."
            command.ensure_finalized()
            command.run()
            return [Path(command.get_ext_filename(name)) for name in ours["KERNELS"]]
        finally:
            os.chdir(before)


if __name__ == "__main__":
    print(*compile_kernels(Path(__file__).resolve().parent.parent), sep="\n")
