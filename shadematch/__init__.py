"""From a wanted colour to whole centimetres of pigment paste for melt-and-pour soap.

Everything public is named in `__init__.pyi`, and there alone: type checkers read it, and so does
this file. A name's room is imported when the name is first asked for, so that ``import
shadematch`` costs next to nothing and a job pays for its own rooms only.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
