"""Digital selective calling after Rec. ITU-R M.493."""
