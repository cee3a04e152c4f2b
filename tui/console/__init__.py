"""The console: one screen on which a link is polled, written, watched and recorded."""
