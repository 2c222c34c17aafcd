"""The documentation site: ``make docs`` builds it into ``docs/_build/html``.

Nothing is fetched while it is built and nothing while it is read: no other site's inventory, no
font, script or picture from elsewhere (a test looks through what was built).
"""

from __future__ import annotations

import os

# The notebook runs a small study: as in `make test`, nothing phones home and a sum takes one core.
os.environ.update(
    MLFLOW_DISABLE_TELEMETRY="true",
    DO_NOT_TRACK="1",
    GX_ANALYTICS_ENABLED="False",
    OPENBLAS_NUM_THREADS="1",
    OMP_NUM_THREADS="1",
    MKL_NUM_THREADS="1",
)

project = "leafledger"
copyright = "The leafledger developers; MIT licence"
extensions = ["myst_nb", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
exclude_patterns = ["_build", "_ext"]
language = "en"
smartquotes = False  # two dashes before an option stay two dashes

myst_heading_anchors = 4
nb_execution_mode = "force"
nb_execution_raise_on_error = True
nb_execution_timeout = 600
nb_execution_show_tb = True

# Libraries of the notebook write hints to the error stream, with paths of this machine in them; an
# error still stops the build.
nb_output_stderr = "remove"

autodoc_typehints = "none"
autodoc_class_signature = "separated"
autodoc_member_order = "bysource"
napoleon_google_docstring = False
napoleon_use_rtype = False

html_theme = "furo"
html_title = "leafledger"
html_static_path = ["_static"]
html_css_files = ["site.css"]
html_copy_source = False
html_show_sourcelink = False
html_show_sphinx = False
