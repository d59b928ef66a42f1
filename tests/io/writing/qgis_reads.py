"""Open the layers of a GeoPackage as QGIS does, with the styles in it; run by the Python that has QGIS.

python3 qgis_reads.py FILE PICTURE      prints JSON: layer -> what is drawn by each style
"""

import json
import sys

from qgis.core import (
    QgsApplication,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsRenderContext,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtXml import QDomDocument


def drawn(layer):
    """Classes of the legend, the column of the labels, and the fills of every feature by its zone and rate."""
    renderer, context = layer.renderer(), QgsRenderContext()
    renderer.startRender(context, layer.fields())
    features = []
    for feature in layer.getFeatures():
        context.expressionContext().setFeature(feature)
        symbols = renderer.originalSymbolsForFeature(feature, context)
        features.append([symbol.color().name() for symbol in symbols])
    renderer.stopRender(context)
    labeling = layer.labeling().settings() if layer.labelsEnabled() else None
    return {
        "renderer": renderer.type(),
        "classes": [item.label() for item in renderer.legendSymbolItems()],
        "label": labeling.fieldName if labeling else None,
        "features": features,
        "hatched": [len(rule.symbol()) > 1 for rule in renderer.rootRule().children()],
    }


def by_style(layer):
    """Style name -> what it draws; the default one, which the layer opened with, under an empty name as well."""
    found = {"": drawn(layer)}
    _, ids, names, _, error = layer.listStylesInDatabase()
    for number, name in zip(ids, names, strict=True):
        text, error = layer.getStyleFromDatabase(number)
        document = QDomDocument()
        document.setContent(text)
        done, said = layer.importNamedStyle(document)
        if error or not done:
            raise SystemExit(f"{name}: {error or said}")
        found[name] = drawn(layer)
    return found


def picture(layer, path):
    """Draw a layer."""
    settings = QgsMapSettings()
    settings.setLayers([layer])
    extent = layer.extent()
    extent.scale(1.1)
    settings.setExtent(extent)
    settings.setOutputSize(QSize(900, 650))
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    job.renderedImage().save(path)


def main():
    """Read the file that is named, draw its prescription."""
    path, image = sys.argv[1:]
    QgsApplication.setPrefixPath("/usr", True)
    application = QgsApplication([], True)
    application.initQgis()
    told = {}
    for name in ("zones", "prescription"):
        layer = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
        if name == "prescription":
            picture(layer, image)
        told[name] = by_style(layer)
        del layer
    sys.stdout.write(json.dumps(told))
    application.exitQgis()


main()
