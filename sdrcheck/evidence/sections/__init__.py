"""The parts of a report: results in, a section out. No measuring here, and nothing judged anew."""
