"""From a notebook to a page: parameters, isolated run, page, what lies beside it."""

import sys

# jsonschema imports this for one optional format check that nothing here uses; the import costs a
# second each time a notebook is read or run.
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
