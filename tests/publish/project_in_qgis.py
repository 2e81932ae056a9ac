"""Open a project in QGIS as a reader would and draw what it shows: PROJECT [PNG] [THEME]; JSON."""

import json
import os
import sys

try:
    from qgis.core import (
        QgsApplication,
        QgsMapRendererSequentialJob,
        QgsMapSettings,
        QgsProject,
        QgsReferencedRectangle,
    )
    from qgis.PyQt.QtCore import QSize
    from qgis.PyQt.QtGui import QColor
except ImportError:  # the tests' own Python looks in here too
    if __name__ == "__main__":
        raise


def draw(project, layers, extent, path):
    """Render layers, the first on top."""
    settings = QgsMapSettings()
    settings.setLayers(layers)
    settings.setDestinationCrs(project.crs())
    settings.setBackgroundColor(QColor("white"))
    settings.setOutputSize(QSize(1200, 1200))
    settings.setOutputDpi(110)
    settings.setExtent(extent)
    job = QgsMapRendererSequentialJob(settings)
    job.start()
    job.waitForFinished()
    job.renderedImage().save(path)


def main(path, picture=None, theme=None):
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    app = QgsApplication([], False)
    app.initQgis()
    project = QgsProject.instance()
    opened = project.read(path)
    root = project.layerTreeRoot()
    found = {
        "opened": opened,
        "title": project.title(),
        "crs": project.crs().authid(),
        "units": project.readEntry("Measurement", "/DistanceUnits")[0],
        "groups": [g.name() for g in root.children()],
        "on": [n.name() for n in root.findLayers() if n.isVisible()],
        "layers": {
            n.name(): {
                "valid": n.layer() is not None and n.layer().isValid(),
                "source": n.layer().source() if n.layer() else "",
                "rows": getattr(n.layer(), "featureCount", lambda: -1)() if n.layer() else -1,
            }
            for n in root.findLayers()
        },
        "themes": project.mapThemeCollection().mapThemes(),
    }
    if picture:
        layers = [n.layer() for n in root.findLayers() if n.isVisible()]
        if theme:
            layers = project.mapThemeCollection().mapThemeVisibleLayers(theme)
        extent = project.viewSettings().defaultViewExtent()
        if extent.isNull() or extent.isEmpty():
            land = next(n.layer() for n in root.findLayers() if n.name() == "Property")
            box = land.extent()
            box.scale(1.08)
            extent = QgsReferencedRectangle(box, project.crs())
        draw(project, layers, extent, picture)
        layers.clear()
    print(json.dumps(found))
    project.clear()
    app.exitQgis()


if __name__ == "__main__":
    main(*sys.argv[1:])
