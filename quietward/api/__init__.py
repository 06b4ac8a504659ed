"""quietward as a library: what `import quietward` offers, each part imported when it is asked for."""
