#!/usr/bin/env python3
"""Reads the DICOM object of a bar with pydicom, strict about representations, and compares it with the
documents that it was made from.

usage: dicom_reader.py OBJECT SCREENED JUDGEMENT TECHNIQUE LEVEL ORDER

ORDER is the order as JSON; the others are the job's documents. Prints JSON: what was compared. Exit code:
0 all values agree, 1 they differ or the object is malformed, 2 wrong use, 3 pydicom is missing.
"""

import json
import sys

try:
    import numpy as np
    import pydicom
    from pydicom import config, datadict, uid
except ImportError as e:
    print(f"SKIPPED: {e}", file=sys.stderr)
    sys.exit(3)

CREATOR = "BARWRIGHT"
CLASSES = {"disc": "VOLUME", "crack": "SURFACE"}
# Decimal strings have 16 characters: nine digits at least.
DIGITS = 1e-8
wrong = []
compared = 0


def same(what, found, wanted, digits=0.0):
    global compared
    compared += 1
    if isinstance(wanted, float):
        agrees = abs(float(found) - wanted) <= digits * abs(wanted)
    else:
        agrees = found == wanted
    if not agrees:
        wrong.append(f"{what}: {found!r}, the document says {wanted!r}")


def shown(text):
    """The text as papers show it: controls and marks that hide become U+FFFD, lines end in CR LF."""
    hidden = {0xAD, 0x61C, 0x180E, 0xFEFF, 0xFFFE, 0xFFFF, *range(0x200B, 0x2010), *range(0x2028, 0x202F),
              *range(0x2060, 0x2070), *range(0xFFF9, 0xFFFC), *range(0xE0000, 0xE0080)}
    def one(c):
        control = ord(c) < 32 or 127 <= ord(c) < 160
        return "\ufffd" if control or ord(c) in hidden else c
    lines = text.replace("\r\n", "\n").split("\n")
    return "\r\n".join("".join(map(one, line)) for line in lines).rstrip()


def own(data, element):
    return data.private_block(0x0015, CREATOR)[element].value


def listed(value):
    """Values of an attribute that may have none, one or many."""
    if value is None:
        return []
    return [value] if isinstance(value, (int, float, str)) else list(value)


def lint(data):
    """Decodes every value, strictly, and holds public ones to the open dictionary."""
    count = 0
    for element in data:
        count += 1
        if element.tag.is_private:
            if element.tag.group != 0x0015:
                wrong.append(f"{element.tag}: a private group that is not documented")
        elif not datadict.dictionary_has_tag(element.tag):
            wrong.append(f"{element.tag}: not in the dictionary")
        else:
            vrs = datadict.dictionary_VR(element.tag).split(" or ")
            if element.VR not in vrs:
                wrong.append(f"{element.tag} {element.keyword}: {element.VR}, the dictionary has {vrs}")
            low, high = (datadict.dictionary_VM(element.tag).split("-") * 2)[:2]
            if element.VR != "SQ" and not element.is_empty:
                fits = int(low) <= element.VM and (not high.isdigit() or element.VM <= int(high))
                if not fits:
                    wrong.append(f"{element.keyword}: {element.VM} values, {low} to {high} are allowed")
        if element.VR == "SQ":
            count += sum(lint(item) for item in element.value)
    return count


def head(data, raw):
    meta = data.file_meta
    same("transfer syntax", meta.TransferSyntaxUID, uid.ExplicitVRLittleEndian)
    same("class", meta.MediaStorageSOPClassUID, data.SOPClassUID)
    same("instance", meta.MediaStorageSOPInstanceUID, data.SOPInstanceUID)
    same("characters", data.SpecificCharacterSet, "ISO_IR 192")
    for name in ("SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID"):
        value = data[name].value
        number = int(value.removeprefix("2.25."))
        same(f"{name} is valid", (value.is_valid, f"2.25.{number}"), (True, str(value)))
        same(f"{name}: version and variant of its UUID", (number >> 76 & 15, number >> 62 & 3), (8, 2))
    same("begins as such files do", raw[128:132], b"DICM")


def bar(data, order, judgement):
    same("bar", own(data, 0x23), shown(judgement["bar"]))
    same("heat", own(data, 0x22), shown(judgement["heat"]))
    same("order", own(data, 0x20), shown(order["order"]["number"]))
    same("customer", own(data, 0x21), shown(order["order"]["customer"]))
    same("length", own(data, 0x27), judgement["length_m"])
    same("grade", data.MaterialGrade, shown(order["steel"]["grade"]))
    if "round" in order["section"]:
        same("diameter", data.OuterDiameter, order["section"]["round"]["diameter_mm"], DIGITS)
    name = f"Bar {judgement['bar']}, heat {judgement['heat']}"
    if len(name) <= 64 and name.isprintable() and not set(name) & set("\\^="):
        same("component", str(data.PatientName), name)
    same("verdict", own(data, 0x04), judgement["verdict"].upper())
    found = [(own(r, 0x06), own(r, 0x07), own(r, 0x08)) for r in own(data, 0x05)]
    same("reasons", found, [(r["clause"], shown(r["statement"]), ", ".join(r["indications"])) for r in judgement["reasons"]])
    found = [(own(p, 0x52), own(p, 0x53), own(p, 0x5A)) for p in own(data, 0x59)]
    same("pieces", found, [(p["from_m"], p["to_m"], p["fate"].upper()) for p in judgement["cut"]["pieces"]])


def indications(data, judgement):
    wanted = judgement["indications"]
    items = data.IndicationSequence
    same("indications", len(items), len(wanted))
    for number, (item, i) in enumerate(zip(items, wanted), 1):
        where = f"indication {number}"
        same(where, (int(item.IndicationNumber), item.IndicationLabel), (number, i["letter"]))
        same(f"{where} class", listed(item.IndicationType)[0], CLASSES[i["class"]])
        same(f"{where} beams", listed(own(item, 0x3B)), i["beams"])
        same(f"{where} bound", own(item, 0x64), "YES" if i["clipped"] else "NO")
        for element, key in ((0x62, "depth_m"), (0x63, "height_fsh"), (0x65, "size_m"), (0x66, "size_uncertainty_db")):
            same(f"{where} {key}", own(item, element), i[key])
        region = item.IndicationROISequence[0]
        same(f"{where} from", (own(region, 0x52), own(region, 0x53)), (i["from_m"], i["to_m"]))
        same(f"{where} place", list(own(region, 0x60)), [i["place"]["x"], i["place"]["y"]])
        numbers = {p.PropertyLabel: float(p.NumericValue) for p in item.IndicationPhysicalPropertySequence}
        size = "EQUIVALENT DISC" if i["class"] == "disc" else "CRACK DEPTH"
        same(f"{where} size", numbers[size], i["size_m"] * 1e3, DIGITS)
        same(f"{where} height", numbers["HEIGHT"], i["height_fsh"] * 1e2, DIGITS)


def inspected(data, screened):
    found = [
        (own(s, 0x51), own(s, 0x52), own(s, 0x53), listed(own(s, 0x3B))) for s in own(data, 0x50)
    ]
    wanted = [(CLASSES[s["class"]], s["from_m"], s["to_m"], s["beams"]) for s in screened["lost"]]
    same("not inspected", found, wanted)
    found = [(own(s, 0x51), own(s, 0x55)) for s in own(data, 0x54)]
    same("inspected", found, [(CLASSES[s["class"]], s["share"]) for s in screened["inspected"]])
    if wanted:
        same("told in words", "NOT INSPECTED" in data.ImageComments, True)
    same("shots", int(own(data, 0x2E)), screened["shots"])


def station(data, technique, level):
    beams = technique["beams"]
    same("probes", len(data.TransmitTransducerSequence), len(technique["probes"]))
    for item, probe in zip(data.TransmitTransducerSequence, technique["probes"]):
        same("elements", item.NumberOfElements, len(probe["elements"]))
        same("width", item.ElementDimensionA, probe["elements"][0]["width_m"] * 1e3, DIGITS)
        same("length", item.ElementDimensionB, probe["elements"][0]["length_m"] * 1e3, DIGITS)
        same("frequency", item.NominalFrequency, technique["pulse"]["centre_hz"] / 1e6, DIGITS)
    for items in (data.TransmitTransducerSettingsSequence, data.ReceiveTransducerSettingsSequence):
        same("laws", [own(i, 0x30) for i in items], [b["id"] for b in beams])
        same("apertures", [i.ActiveAperture for i in items], [len(b["transmit_delays_s"]) for b in beams])
        for item, beam in zip(items, beams):
            # The angle between axis and inward normal, by the dot product.
            entry, direction = beam["axis"]["entry"], beam["axis"]["direction_rad"]
            inward = -np.array([entry["x"], entry["y"]]) / np.hypot(entry["x"], entry["y"])
            cosine = float(inward @ [np.cos(direction), np.sin(direction)])
            # The cosine of a small angle keeps half its digits.
            close = abs(float(item.NominalBeamAngle) - np.degrees(np.arccos(min(1.0, cosine)))) < 1e-5
            same(f"angle of beam {beam['id']}", bool(close), True)
            if technique["media"]["water"]:
                same("coupling", item.CouplingVelocity, float(technique["media"]["water"]["velocity_m_s"]), DIGITS)
    for item, beam, levelled in zip(data.ReceiverSettingsSequence, beams, level["beams"]):
        same("gain", (own(item, 0x38), own(item, 0x39)), (levelled["gain_db"], beam["gain_db"]))
        if beam["gain_curve"]:
            dac = item.DACSequence[0]
            same("points", len(listed(dac.DACGainPoints)), len(beam["gain_curve"]))
            points = zip(listed(dac.DACGainPoints), listed(dac.DACTimePoints), beam["gain_curve"])
            for gain, time, point in points:
                same("curve, dB", gain, float(point["gain_db"]), DIGITS)
                same("curve, time", time, point["after_surface_s"] * 1e6, DIGITS)
    gates = [(b["id"], g) for b in beams for g in b["gates"]]
    same("gates", len(data.GateSettingsSequence), len(gates))
    for item, (number, gate) in zip(data.GateSettingsSequence, gates):
        same("gate", (own(item, 0x30), own(item, 0x35), own(item, 0x36)), (number, gate["start_s"], gate["end_s"]))
        same("threshold", item.GateThreshold, gate["threshold_fsh"] * 1e2, DIGITS)
    speed = data.ScannerSettingsSequence[0]
    same("speed", speed.TranslationRateX, technique["line_speed_m_s"] * 1e3, DIGITS)


def picture(data):
    if "PixelData" not in data:
        same("class without a picture", data.SOPClassUID, uid.RawDataStorage)
        return
    same("class", data.SOPClassUID, uid.MultiFrameGrayscaleWordSecondaryCaptureImageStorage)
    pixels = data.pixel_array
    rows = listed(own(data, 0x70))
    same("frames", pixels.shape, (2, len(rows), data.Columns))
    same("type", pixels.dtype, np.dtype("uint16"))
    heights, states = pixels
    padding = data.PixelPaddingValue
    same("states", bool((states <= 3).all()), True)
    # A height stands where a sound or clipped peak was read, and there only, unless coupling was lost too.
    same("heights where read", bool((heights[(states == 1) | (states == 2)] != padding).all()), True)
    same("no height where no shot", bool((heights[states == 0] == padding).all()), True)


def evidence(data, sealed):
    hashes = {own(e, 0x0E) for e in own(data, 0x0C)}
    for document in sealed:
        same(f"hash of the {document['document']}", document["hash"] in hashes, True)
    shortened = [(own(t, 0x84), own(t, 0x82)) for t in own(data, 0x80)]
    same("texts that were cut are whole", all(text for _, text in shortened), True)


def main():
    if len(sys.argv) != 7:
        print(__doc__, file=sys.stderr)
        return 2
    config.settings.reading_validation_mode = config.RAISE
    config.convert_wrong_length_to_UN = False
    sealed = [json.load(open(path, encoding="utf-8")) for path in sys.argv[2:6]]
    screened, judgement, technique, level = (document["body"] for document in sealed)
    with open(sys.argv[6], encoding="utf-8") as file:
        order = json.load(file)
    with open(sys.argv[1], "rb") as file:
        raw = file.read(132)
    data = pydicom.dcmread(sys.argv[1])
    elements = lint(data)
    head(data, raw)
    bar(data, order, judgement)
    indications(data, judgement)
    inspected(data, screened)
    station(data, technique, level)
    picture(data)
    evidence(data, sealed)
    for line in wrong[:20]:
        print(line, file=sys.stderr)
    print(json.dumps({"elements": elements, "compared": compared, "wrong": len(wrong)}))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
