"""What people look at: lines drawings, window, page, report."""
