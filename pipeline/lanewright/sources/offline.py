"""Options of GDAL that keep it on this machine. Imports nothing, for processes that load little."""

OFFLINE = {
    "GDAL_HTTP_PROXY": "127.0.0.1:9",  # the discard port: what slips through ends here
    "GDAL_HTTP_MAX_RETRY": "0",
    "GDAL_HTTP_CONNECTTIMEOUT": "1",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": "{none}",
    "CPL_CURL_ENABLE_VSIMEM": "NO",
    "LIBKML_RESOLVE_STYLE": "NO",
    "OGR_SQLITE_LOAD_EXTENSIONS": "",
    "GDAL_SKIP": "VRT,WMS,WCS,WMTS,HTTP,PLMOSAIC,EEDAI,STACIT,STACTA,NGW,DAAS,OGCAPI,GDALG",
    "OGR_SKIP": "OGR_VRT,WFS,OAPIF,CSW,Elasticsearch,Carto,AmigoCloud,NGW,EEDA,PLSCENES,HTTP,GDALG",
}
"""Options of GDAL for reading; the formats allowed below need none of what is left out."""
