"""Paths of a study: relative, and never leading out of its folder."""

from pathlib import Path, PurePosixPath, PureWindowsPath


def path_problem(folder: Path, path: str) -> str | None:
    """
    Return what is wrong with a path of a study, or None.

    Parameters
    ----------
    folder : Path
        The study folder.
    path : str
        As written by the user; slashes may go either way.

    Returns
    -------
    str or None
        One sentence.
    """
    windows, posix = PureWindowsPath(path), PurePosixPath(path.replace("\\", "/"))
    if not path.strip() or "\0" in path:
        return "the path is empty."
    if windows.drive or windows.root or posix.is_absolute():
        return f"the path {path} is absolute."
    if ".." in posix.parts:
        return f"the path {path} leaves the study folder."
    root = folder.resolve()
    try:
        leads_to = (root / posix).resolve()
        leads_to.exists()
    except (OSError, RuntimeError):  # a loop of links, a name too long
        return f"the path {path} cannot be followed."
    if not leads_to.is_relative_to(root):
        return f"the path {path} is a link that leads out of the study folder."
    return None
