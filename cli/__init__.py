"""What people type and see.  The outermost layer: it knows the other two, never the reverse."""
