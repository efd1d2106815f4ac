"""Navigational text (NAVTEX) after Rec. ITU-R M.540 and M.476/M.625 mode B."""
