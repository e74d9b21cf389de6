"""Pages of an archive in a browser; `speclake_dashboards.app.serve` starts them."""
