"""Files people bring: one faulty row changes nothing, unless the good rows are asked for."""

from service.operations.imports.run import FORMATS, import_file, is_long

__all__ = [
    "FORMATS",
    "import_file",
    "is_long",
]
