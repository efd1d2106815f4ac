from sdrcheck.recordings.recording import Recording, open_recording

__all__ = ["Recording", "open_recording"]
