"""Descriptions of other files, of services and of work to be done, under every ending of map data.

Each is tried under each ending; a driver that took the description would open, ask or write what it names.
"""

from __future__ import annotations

import base64
import sqlite3
from contextlib import closing

import pytest

from decknet.ingest.drivers import DRIVERS
from tests.hostile.ground import CANARY, collection, dumps, kml, layer
from tests.quick import first

ENDINGS = tuple(DRIVERS)


def virtual(ground):
    """Reads another file as its own layer."""
    return (
        f'<OGRVRTDataSource><OGRVRTLayer name="canary"><SrcDataSource>{ground.canary}</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )


def virtual_by_statement(ground):
    """Reads another file through a statement."""
    return (
        f'<OGRVRTDataSource><OGRVRTLayer name="bridges"><SrcDataSource>{ground.outside / "canary.gpkg"}'
        '</SrcDataSource><SrcSQL dialect="SQLITE">SELECT * FROM bridges</SrcSQL></OGRVRTLayer></OGRVRTDataSource>'
    )


def virtual_of_a_table(ground):
    """Reads delimited text as a layer, told in the description itself what it is."""
    return (
        f'<OGRVRTDataSource><OGRVRTLayer name="canary"><SrcDataSource>CSV:{ground.outside / "canary.csv"}'
        "</SrcDataSource><GeometryType>wkbNone</GeometryType></OGRVRTLayer></OGRVRTDataSource>"
    )


def virtual_over_the_network(ground):
    """Asks a server for its layer."""
    return (
        f'<OGRVRTDataSource><OGRVRTLayer name="x"><SrcDataSource>/vsicurl/{ground.url}/x.geojson</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )


def virtual_of_nested_unions(ground):
    """Reads one file many times over."""
    one = f'<OGRVRTLayer name="canary"><SrcDataSource>{ground.canary}</SrcDataSource></OGRVRTLayer>'
    return f'<OGRVRTDataSource><OGRVRTUnionLayer name="u">{one * 50}</OGRVRTUnionLayer></OGRVRTDataSource>'


def feature_service(ground):
    """Describes a service of features."""
    return f"<OGRWFSDataSource><URL>{ground.url}/wfs?SERVICE=WFS&amp;TYPENAME=x</URL></OGRWFSDataSource>"


def feature_service_answer(ground):
    """The answer of a service, which sends on to others."""
    return (
        '<?xml version="1.0"?><WFS_Capabilities version="2.0.0" xmlns="http://www.opengis.net/wfs/2.0" '
        f'xmlns:xlink="http://www.w3.org/1999/xlink"><Get xlink:href="{ground.url}/get"/></WFS_Capabilities>'
    )


def catalogue_service(ground):
    return f"<OGRCSWDataSource><URL>{ground.url}/csw</URL></OGRCSWDataSource>"


def pipeline_that_reads(ground):
    """Work to be done: read another file."""
    return dumps({"type": "gdal_streamed_alg", "command_line": f"gdal vector pipeline ! read {ground.canary}"})


def pipeline_that_asks(ground):
    return dumps(
        {"type": "gdal_streamed_alg", "command_line": f"gdal vector pipeline ! read /vsicurl/{ground.url}/x.geojson"}
    )


def pipeline_that_writes(ground):
    """Work to be done: copy a file over another."""
    line = f"gdal vector pipeline ! read {ground.canary} ! write --overwrite {ground.written}"
    return dumps({"type": "gdal_streamed_alg", "command_line": line, "relative_paths_relative_to_this_file": False})


def topology(ground):
    points = {"type": "GeometryCollection", "geometries": [{"type": "Point", "coordinates": [9.8, 56.1]}]}
    return dumps({"type": "Topology", "objects": {"bridges": points}, "arcs": [], "href": ground.url})


def paged_service_answer(ground):
    """The answer of a feature service with more to fetch."""
    return dumps(
        {
            "objectIdFieldName": "id", "geometryType": "esriGeometryPoint", "spatialReference": {"wkid": 4326},
            "exceededTransferLimit": True, "url": f"{ground.url}/query?f=json&resultOffset=0",
            "fields": [{"name": "bridge_id", "type": "esriFieldTypeString"}],
            "features": [{"attributes": {"bridge_id": CANARY}, "geometry": {"x": 9.8, "y": 56.1}}],
        }
    )  # fmt: skip


def landing_page(ground):
    """The landing page of a service, with links to its collections."""
    links = [{"href": f"{ground.url}/{r}", "rel": r, "type": "application/json"} for r in ("data", "self", "items")]
    return dumps({"title": "x", "links": links, "conformsTo": ["http://www.opengis.net/spec/ogcapi-features-1"]})


def catalogue_item(ground):
    return dumps(
        {
            "type": "Catalog", "stac_version": "1.0.0", "id": "x", "description": "x",
            "links": [{"rel": "item", "href": f"{ground.url}/item.json"}],
        }
    )  # fmt: skip


def markup_with_a_remote_schema(ground):
    return (
        '<?xml version="1.0"?><gml:FeatureCollection xmlns:gml="http://www.opengis.net/gml" '
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xmlns:x="x" '
        f'xsi:schemaLocation="x {ground.url}/x.xsd"><gml:featureMember><x:bridges><x:bridge_id>{CANARY}</x:bridge_id>'
        "</x:bridges></gml:featureMember></gml:FeatureCollection>"
    )


def markup_that_calls_for_a_file(ground):
    return (
        f'<!DOCTYPE x [<!ENTITY c SYSTEM "{ground.canary.as_uri()}">]><gpx version="1.1" '
        'xmlns="http://www.topografix.com/GPX/1/1"><wpt lat="56" lon="9"><name>&c;</name></wpt></gpx>'
    )


def news_feed(ground):
    return (
        f'<rss version="2.0" xmlns:georss="http://www.georss.org/georss"><channel><link>{ground.url}</link><item>'
        f"<title>{CANARY}</title><georss:point>56 9</georss:point></item></channel></rss>"
    )


def map_file_of_another_program(ground):
    table = ground.outside / "canary.csv"
    return f'Version 300\nCharset "Neutral"\nOpen Table "{table}"\nColumns 1\n id Char(9)\nData\n\n'


def connection_to_a_database(ground):
    return f"PG:host=127.0.0.1 port={ground.listener.port} dbname=x user=x"


def name_of_a_remote_file(ground):
    return f"/vsicurl/{ground.url}/x.geojson"


def command_for_a_receiver(ground):
    return f"GPSBabel:csv:{ground.outside / 'canary.csv'}"


def plain_database(ground):
    """A database of another making, its table a canary."""
    path = ground.inbox / "made.sqlite"
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE bridges (bridge_id TEXT)")
        db.execute("INSERT INTO bridges VALUES (?)", [CANARY])
        db.commit()
    found = path.read_bytes()
    path.unlink()
    return found


def other_layer(ground):
    """A whole GeoPackage under a foreign name: it would be read, and not as what it is called."""
    path = layer(ground.inbox / "made.gpkg", layer="bridges")
    found = path.read_bytes()
    path.unlink()
    return found


def script(ground):
    return f"#!/bin/sh\ncat {ground.canary} > {ground.written}\n"


def data_address(ground):
    return "data:application/json;base64," + base64.b64encode(dumps(collection()).encode()).decode()


BODIES = (
    virtual, virtual_by_statement, virtual_of_a_table, virtual_over_the_network, virtual_of_nested_unions,
    feature_service, feature_service_answer, catalogue_service, pipeline_that_reads, pipeline_that_asks,
    pipeline_that_writes, topology, paged_service_answer, landing_page, catalogue_item, markup_with_a_remote_schema,
    markup_that_calls_for_a_file, news_feed, map_file_of_another_program, connection_to_a_database,
    name_of_a_remote_file, command_for_a_receiver, plain_database, other_layer, script, data_address,
)  # fmt: skip


@pytest.mark.parametrize("body", first(8, BODIES), ids=lambda b: b.__name__)
def test_a_description_under_another_ending_is_refused_and_leads_nowhere(ground, capsys, body):
    content = body(ground)
    own = {other_layer: {".gpkg"}}.get(body, set())
    endings = [e for e in ENDINGS if e not in own]
    files = [ground.put(f"bridges-{e[1:]}{e}", content) for e in endings]
    for file, ending in zip(files, endings, strict=True):
        if ending == ".shp":
            ground.put(f"{file.stem}.dbf", content)
            ground.put(f"{file.stem}.shx", content)
    said = ground.load(capsys, *files)
    assert not ground.written.exists()
    assert CANARY not in said


@pytest.mark.slow
def test_the_mark_of_bytes_and_blanks_do_not_hide_a_description(ground, capsys):
    for n, lead in enumerate((b"\xef\xbb\xbf", b"   \n\t ", b"\n" * 5000, b"<!-- -->" * 800)):
        ground.load(capsys, ground.put(f"bridges{n}.geojson", lead + virtual(ground).encode()))
        ground.load(capsys, ground.put(f"bridges{n}.kml", lead + virtual(ground).encode()))
        ground.load(capsys, ground.put(f"bridges{n}.dxf", lead + virtual(ground).encode()))


def test_a_feature_of_its_own_ending_is_still_read(ground, capsys):
    said = ground.load(capsys, ground.put("bridges.geojson", dumps(collection())), code=0)
    assert "1 kept" in said
    assert kml("<name>x</name>").startswith("<?xml")
