# SPDX-License-Identifier: GPL-3.0-or-later
"""A second witness for marine radio surveyors. It measures and records; it never certifies and never transmits."""

__version__ = "0.1.0"
