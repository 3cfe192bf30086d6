"""
The notebook's kernel: this very interpreter, whatever the machine's Jupyter settings.

No kernelspec is looked up, no configuration, profile or start-up file of the user is read, and the
current folder stays off the import path, so that nothing in a study folder can run.
"""

import os
import sys
import time
from pathlib import Path
from threading import Thread
from typing import Any, Final

from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager

_PARENT: Final = "AGREEMENT_PARENT"  # the process that a kernel belongs to
_LOOK_S: Final = 0.2


class OwnInterpreter(AsyncKernelManager):
    """A kernel manager that runs `sys.executable`."""

    @property
    def kernel_spec(self) -> KernelSpec:
        """The command of the kernel; never looked up on the machine."""
        module = "agreement.report.run.kernel"
        command = [sys.executable, "-P", "-m", module, "-f", "{connection_file}"]
        return KernelSpec(argv=command, display_name="Python 3", language="python")


def started_kernel_options(work: Path, study_parent: Path) -> dict[str, Any]:
    """Return the options of `start_kernel`: where it works and where its own files go."""
    environment = os.environ | {
        "IPYTHONDIR": str(work / "ipython"),
        "PYTHONWARNINGS": "ignore",
        _PARENT: str(os.getpid()),
    }
    environment.pop("PYTHONSTARTUP", None)
    return {"cwd": str(study_parent), "env": environment}


def _end_with_parent() -> None:
    """End this process once the one it belongs to is gone, even if that was killed."""
    parent = int(os.environ[_PARENT])

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(_LOOK_S)
        os._exit(1)

    if os.name == "posix":  # elsewhere a process keeps its parent's number; ipykernel looks there
        Thread(target=watch, daemon=True).start()


def _serve() -> None:
    """Run the kernel; called in the new process."""
    _end_with_parent()  # before the import, which takes a second
    from ipykernel.kernelapp import IPKernelApp

    class PlainKernel(IPKernelApp):
        """A kernel without the settings of its user."""

        def load_config_file(self, *_: object, **__: object) -> None:
            """Read no configuration."""

    app = PlainKernel.instance()
    app.ignore_cwd = True
    app.log_level = "ERROR"  # it warns of a local socket on every start
    app.initialize()  # type: ignore[no-untyped-call] # ipykernel types only parts of itself
    app.start()  # type: ignore[no-untyped-call] # as above


if __name__ == "__main__":
    _serve()
