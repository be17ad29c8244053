# Moved to registry/columns.py (models build their constraints from it). Import from registry.columns;
# this file goes away.
from registry.columns import *  # noqa: F403
