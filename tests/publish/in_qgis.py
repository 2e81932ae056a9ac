"""Open a GeoPackage in QGIS as a reader would, and tell what it makes of the stored styles.

Run with a Python that has QGIS: in_qgis.py GPKG [PNG]. Prints JSON.
"""

import json
import os
import sqlite3
import sys
from contextlib import closing

try:
    from qgis.core import (
        NULL,
        QgsApplication,
        QgsExpression,
        QgsExpressionContext,
        QgsExpressionContextUtils,
        QgsMapRendererSequentialJob,
        QgsMapSettings,
        QgsRectangle,
        QgsRenderContext,
        QgsVectorLayer,
    )
    from qgis.PyQt.QtCore import QSize
    from qgis.PyQt.QtGui import QColor
except ImportError:  # the tests' own Python looks in here too
    if __name__ == "__main__":
        raise

TOP_FIRST = (
    "field_checks",
    "layout_holes",
    "designer_holes",
    "layout_walks",
    "hole_positions",
    "tee_sites",
    "basket_sites",
    "trim_work",
    "cautions",
    "property",
    "holes",
    "legs",
    "lanes",
    "trees",
    "drainage",
    "wet_ground",
    "water",
    "openings",
)


def names_in(path):
    """Layers of a file from the top down; those nobody gave a place come last."""
    with closing(sqlite3.connect(path)) as db:
        query = "SELECT table_name FROM gpkg_contents WHERE data_type = 'features'"
        there = [name for (name,) in db.execute(query)]
    placed = [name for name in TOP_FIRST if name in there]
    return placed + [name for name in there if name not in placed]


def tag_works(layer):
    """Whether the expression of the labels gives a text for some row, without a fault."""
    if not layer.labelsEnabled():
        return False
    expression = QgsExpression(layer.labeling().settings().fieldName)
    context = QgsExpressionContext(QgsExpressionContextUtils.globalProjectLayerScopes(layer))
    texts = []
    for feature in layer.getFeatures():
        context.setFeature(feature)
        texts.append(expression.evaluate(context))
    return not expression.hasEvalError() and any(t not in (None, NULL) for t in texts)


def drawn(layer):
    """How many rows some symbol is drawn for."""
    renderer = layer.renderer().clone()
    context = QgsRenderContext()
    context.expressionContext().appendScopes(
        QgsExpressionContextUtils.globalProjectLayerScopes(layer)
    )
    renderer.startRender(context, layer.fields())
    count = 0
    for feature in layer.getFeatures():
        context.expressionContext().setFeature(feature)
        count += renderer.willRenderFeature(feature, context)
    renderer.stopRender(context)
    return count


def main(path, picture=None):
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    app = QgsApplication([], False)
    app.initQgis()
    found, layers = {}, []
    for name in names_in(path):
        layer = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
        renderer = layer.renderer()
        count, ids, names, _, _ = layer.listStylesInDatabase()
        texts = [layer.getStyleFromDatabase(style)[0] for style in ids[:count]]
        items = renderer.legendSymbolItems()
        found[name] = {
            "valid": layer.isValid(),
            "rows": layer.featureCount(),
            "crs": layer.crs().isValid(),
            "renderer": renderer.type(),
            "labels": [item.label() for item in items],
            "parts": [[p.layerType() for p in item.symbol().symbolLayers()] for item in items],
            "styles": names[:count],
            "qml": [bool(text) for text in texts],
            "order": renderer.orderBy().dump() if renderer.orderByEnabled() else "",
            "tagged": layer.labelsEnabled(),
            "tag_works": tag_works(layer),
            "drawn": drawn(layer),
            "extent": layer.extent().toString(),
        }
        layers.append(layer)
    if picture:
        settings = QgsMapSettings()
        settings.setLayers(layers)
        settings.setDestinationCrs(layers[0].crs())
        settings.setBackgroundColor(QColor("white"))
        settings.setOutputSize(QSize(1400, 1400))
        settings.setOutputDpi(110)
        whole = QgsVectorLayer(f"{path}|layername=property", "property", "ogr")
        extent = QgsRectangle(whole.extent())
        del whole  # before QGIS ends
        extent.scale(1.1)
        settings.setExtent(extent)
        job = QgsMapRendererSequentialJob(settings)
        job.start()
        job.waitForFinished()
        job.renderedImage().save(picture)
    print(json.dumps(found))
    layers.clear()
    del layer
    app.exitQgis()


if __name__ == "__main__":
    main(*sys.argv[1:])
