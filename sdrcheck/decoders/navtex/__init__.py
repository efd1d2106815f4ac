"""Navigational text (NAVTEX) after Rec. ITU-R M.540 and M.476/M.625 mode B."""

from sdrcheck.decoders.navtex.reader import News, Reader, decode

__all__ = ["News", "Reader", "decode"]
