//! The real window on a display without a screen.
