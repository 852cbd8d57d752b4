"""Pages people look at: self-contained HTML that opens offline."""
