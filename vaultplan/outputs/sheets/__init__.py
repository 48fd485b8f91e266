"""Route sheets for crews and vacuum trucks."""
