"""The ``can:`` link: any interface of python-can, ISO 15765-2 by can-isotp, many units at once."""
