from django.db import migrations

# (code, name, scientific name, parent, wider kind, longest credible total length in mm). Names are common
# knowledge; the lengths are generous, from memory, and only catch slips of the keyboard.
TREE = [
    ("fish", "unknown fish", "", None, True, None),
    ("black-bass", "black bass", "Micropterus", "fish", True, None),
    ("largemouth-bass", "largemouth bass", "Micropterus salmoides", "black-bass", False, 800),
    ("smallmouth-bass", "smallmouth bass", "Micropterus dolomieu", "black-bass", False, 720),
    ("spotted-bass", "spotted bass", "Micropterus punctulatus", "black-bass", False, 700),
    ("crappie", "crappie", "Pomoxis", "fish", True, None),
    ("white-crappie", "white crappie", "Pomoxis annularis", "crappie", False, 560),
    ("black-crappie", "black crappie", "Pomoxis nigromaculatus", "crappie", False, 560),
    ("sunfish", "sunfish", "Lepomis and Ambloplites", "fish", True, None),
    ("bluegill", "bluegill", "Lepomis macrochirus", "sunfish", False, 420),
    ("redear-sunfish", "redear sunfish", "Lepomis microlophus", "sunfish", False, 480),
    ("green-sunfish", "green sunfish", "Lepomis cyanellus", "sunfish", False, 360),
    ("warmouth", "warmouth", "Lepomis gulosus", "sunfish", False, 360),
    ("rock-bass", "rock bass", "Ambloplites rupestris", "sunfish", False, 420),
    ("catfish", "catfish", "Ictaluridae", "fish", True, None),
    ("channel-catfish", "channel catfish", "Ictalurus punctatus", "catfish", False, 1300),
    ("blue-catfish", "blue catfish", "Ictalurus furcatus", "catfish", False, 1700),
    ("flathead-catfish", "flathead catfish", "Pylodictis olivaris", "catfish", False, 1600),
    ("temperate-bass", "temperate bass", "Morone", "fish", True, None),
    ("white-bass", "white bass", "Morone chrysops", "temperate-bass", False, 560),
    ("striped-bass", "striped bass", "Morone saxatilis", "temperate-bass", False, 1500),
    ("palmetto-bass", "palmetto bass", "Morone saxatilis × M. chrysops", "temperate-bass", False, 950),
    ("yellow-bass", "yellow bass", "Morone mississippiensis", "temperate-bass", False, 450),
    ("white-perch", "white perch", "Morone americana", "temperate-bass", False, 500),
    ("walleye", "walleye", "Sander vitreus", "fish", False, 1100),
    ("yellow-perch", "yellow perch", "Perca flavescens", "fish", False, 500),
    ("northern-pike", "northern pike", "Esox lucius", "fish", False, 1500),
    ("common-carp", "common carp", "Cyprinus carpio", "fish", False, 1250),
    ("freshwater-drum", "freshwater drum", "Aplodinotus grunniens", "fish", False, 1000),
    ("bait", "bait", "", "fish", True, None),
    ("gizzard-shad", "gizzard shad", "Dorosoma cepedianum", "bait", False, 560),
    ("not-fish", "not fish", "", None, True, None),
]


def fill(apps, schema_editor):
    species = apps.get_model("observations", "Species")
    for order, (code, name, scientific, parent, wider, longest) in enumerate(TREE):
        species.objects.create(
            code=code, name=name, scientific_name=scientific, parent_id=parent, is_wider=wider,
            max_length_mm=longest, order=order,
        )  # fmt: skip


class Migration(migrations.Migration):
    dependencies = [("observations", "0001_initial")]
    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]
