"""Whether this machine can draw in three dimensions; asked before the renderer is loaded.

Without an OpenGL library the renderer does not fail, it ends the process. So it is
probed first, and the refusal names what to install.
"""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Callable
from types import ModuleType

from loft.job.errors import LoftError

PACKAGES = "libegl1 libgl1-mesa-dri"
WINDOWS = (  # library, and the renderer's window that is drawn with it
    ("libEGL.so.1", "vtkEGLRenderWindow"),
    ("libOSMesa.so.8", "vtkOSOpenGLRenderWindow"),
)


def loads(name: str) -> bool:
    """Return whether a shared library can be loaded.

    Examples
    --------
    >>> loads("libno-such-thing.so.9")
    False
    """
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True


def off_screen_window(can_load: Callable[[str], bool] = loads) -> str:
    """Return the renderer's off-screen window class for the library that is here.

    Raises
    ------
    LoftError
        Neither EGL nor OSMesa can be loaded; names the Debian packages.

    Examples
    --------
    >>> off_screen_window(lambda name: name == "libOSMesa.so.8")
    'vtkOSOpenGLRenderWindow'
    """
    for library, window in WINDOWS:
        if can_load(library):
            return window
    raise LoftError(
        "pictures need an OpenGL library and none was found (libEGL.so.1 or libOSMesa.so.8 "
        f"wanted); on Debian: apt-get install {PACKAGES}"
    )


def renderer(*, interactive: bool = False) -> ModuleType:
    """Return the pyvista module, made safe to use on this machine.

    Raises
    ------
    LoftError
        No OpenGL library; no display for a window; or pyvista is not installed.

    Examples
    --------
    >>> renderer().Plotter  # doctest: +SKIP
    """
    if sys.platform.startswith("linux"):
        display = os.environ.get("DISPLAY")
        if interactive and not display:
            raise LoftError(
                "a window needs a screen and DISPLAY is not set; the picture view.png and the "
                "page view.html need none"
            )
        if interactive and not loads("libGL.so.1"):
            raise LoftError(
                "a window needs libGL.so.1; on Debian: apt-get install libgl1 libgl1-mesa-dri"
            )
        window = off_screen_window()
        if not display:
            os.environ["VTK_DEFAULT_OPENGL_WINDOW"] = window
    try:
        import pyvista
    except ImportError as error:
        raise LoftError("pictures need pyvista; pip install pyvista") from error
    return pyvista
