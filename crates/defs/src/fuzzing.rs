//! Bodies of the fuzz targets, with what must hold whatever the input.
