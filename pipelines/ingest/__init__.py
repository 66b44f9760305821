"""From files as loggers write them to readings in SI at interval end UTC, with masks and quarantine beside them."""
