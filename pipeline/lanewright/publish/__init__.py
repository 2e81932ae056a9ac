"""Writers: results in, files for people and GIS viewers out."""
