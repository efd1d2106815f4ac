"""Published limits as data, each with its document, edition, clause, standing and how sure we are of it."""
