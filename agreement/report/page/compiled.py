"""
Templates compiled once, and kept as Python keeps its own modules.

Beside them in ``__pycache__``, by the time and size of their source, where Python may write there;
so whoever could change what is kept could change the program. A quarter of a second of each report.
"""

from collections.abc import Mapping, MutableMapping
from contextlib import suppress
from importlib.machinery import SourceFileLoader
from importlib.util import cache_from_source
from pathlib import Path
from types import CodeType
from typing import Any, Final
from zlib import crc32

import jinja2.compiler
from jinja2 import Environment, PackageLoader, Template

FOLDER: Final = Path(__file__).with_name("templates")
# what a compiled template depends on besides its source: the compiler, and how it is asked
_MADE_BY: Final = (jinja2.compiler.__file__, str(Path(__file__).with_name("machine.py")))


class CompiledLoader(PackageLoader):
    """Loads the templates of a package from what is kept of them."""

    def load(
        self,
        environment: Environment,
        name: str,
        globals: MutableMapping[str, Any] | None = None,  # noqa: A002 - as the library calls it
    ) -> Template:
        """Return a template, compiled anew where its source, compiler or settings changed."""
        place = FOLDER / name
        if place.is_file():
            source = _Source(name, place, environment)
            try:
                code = source.get_code(name)
            except (EOFError, TypeError, ValueError):  # half written, on a full disk
                with suppress(OSError):
                    Path(cache_from_source(str(place))).unlink()
                code = source.source_to_code(place.read_bytes(), str(place))
            if code is not None:
                return Template.from_code(environment, code, globals or {}, None)
        return super().load(environment, name, globals)  # the package is no plain folder


class _Source(SourceFileLoader):
    def __init__(self, name: str, place: Path, environment: Environment) -> None:
        super().__init__(name, str(place))
        self._environment = environment

    def path_stats(self, path: str) -> Mapping[str, Any]:
        """Return time and size of the source; the time stands for all else that counts too."""
        own = super().path_stats(path)
        others = [(at.st_mtime_ns, at.st_size) for at in map(Path.stat, map(Path, _MADE_BY))]
        return {**own, "mtime": crc32(repr((own["mtime"], others)).encode())}

    def source_to_code(  # type: ignore[override] # of templates there is no other source
        self, data: bytes, path: str, *, _optimization: int = -1
    ) -> CodeType:
        """Compile a template."""
        return self._environment.compile(data.decode("utf-8"), self.name, path)
