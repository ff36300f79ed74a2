"""The facade that every front end uses: ``Library.open(path).search(photo)``."""

from loupebook.bench import BenchResult, WorldsWanted, table_of
from loupebook.imaging import (
    CODE_WORDS,
    NO_PRINT,
    Box,
    PhotoCheck,
    check_photo,
    crop_box,
    decode_photo,
    encode_jpeg,
    rectify,
    resize_to_fit,
    rotate_quarter,
)
from loupebook.library.benching import bench_retrieval
from loupebook.library.comparing import ComparisonReport, compare_photos
from loupebook.library.curating import (
    PHOTO_GUIDE,
    Basis,
    EntryRemark,
    RemarkKind,
    WantedPhoto,
    missing_photos,
    without_photo_words,
)
from loupebook.library.demo_building import DemoBuilt, build_demo_set
from loupebook.library.desk import MOST_REFERENCES, Desk, key_of
from loupebook.library.desk_consensus import ConsensusPicture, Design
from loupebook.library.desk_exchange import points_to_annotations
from loupebook.library.examinations import Asked
from loupebook.library.exchange import ExportOptions, ExportReport, ImportReport
from loupebook.library.facade import Library
from loupebook.library.homes import (
    HOME_VARIABLE,
    SET_VARIABLE,
    default_set,
    demo_set_folder,
    is_set,
    remember_name,
    remembered_name,
)
from loupebook.library.intake import IncomingPhoto, photo_files
from loupebook.library.numbers_read import NumbersRead
from loupebook.library.people import ACTIONS
from loupebook.library.practice import (
    DIFFICULTIES,
    Explained,
    RoundDefinition,
    Sitting,
    answers_csv,
)
from loupebook.library.rendering import render_demo_anew, render_other_world
from loupebook.library.report_paper import report_pdf
from loupebook.library.results import (
    AddReport,
    Fault,
    MatchReport,
    SearchFilters,
    SearchReport,
    SetOverview,
)
from loupebook.library.serials import (
    SerialAgreement,
    SerialHolder,
    barcode_words,
    holder_words,
    read_barcodes,
    serials_agree,
)
from loupebook.library.serving import serve_page
from loupebook.library.sheets import SheetState, definition_of, write_pdf, write_sheet
from loupebook.library.upkeep import RebuildReport, SetCheck
from loupebook.records import ExaminationLine, ExaminationRecord, SheetRecord
from loupebook.records.drafts import Draft, DraftPhoto, Drafts, new_draft_id
from loupebook.records.exchange import Fate, Taken
from loupebook.records.history import FieldChange, can_be_undone
from loupebook.records.manifest_cells import read_serials
from loupebook.records.model import (
    Camera,
    Element,
    EventRecord,
    IntakeState,
    Lighting,
    PhotoRecord,
    Provenance,
    Serial,
    SetInfo,
    SpecimenRecord,
    Standing,
    View,
)
from loupebook.records.outcome import Outcome
from loupebook.records.people import Person, Role
from loupebook.records.points import Mark, PointMark, PointRecord
from loupebook.records.text import design_phrase
from loupebook.search import FoundItem
from loupebook.search.files import write_atomically
from loupebook.setreport import (
    PRINTS,
    WORK_LIST,
    Action,
    Finding,
    Section,
    SetReport,
    render_html,
)
from loupebook.sheets import TEMPLATES, MadeSheet, Paper, SheetDefinition
from loupebook.sheets.measured import (
    BEYOND,
    BEYOND_MEANS,
    beyond_words,
    figure_words,
    finding_words,
    limit_words,
    measured_title,
    result_words,
    strength_paragraphs,
)
from loupebook.sheets.recorded import (
    GIVEN_OUT,
    MAP_MEANS,
    RANKED_BY,
    bearing_of,
    compared_reference,
    likeness_words,
    marked_word,
    serial_rows,
    telling_map,
)
from loupebook.sheets.scores import CONFIDENCES, Scores, share_words
from loupebook.sheets.templates.common import LIGHT_WORDS, VIEW_WORDS
from loupebook.sheets.words import lacking

__all__ = [
    "ACTIONS",
    "BEYOND",
    "BEYOND_MEANS",
    "CODE_WORDS",
    "CONFIDENCES",
    "DIFFICULTIES",
    "GIVEN_OUT",
    "HOME_VARIABLE",
    "LIGHT_WORDS",
    "MAP_MEANS",
    "MOST_REFERENCES",
    "NO_PRINT",
    "PHOTO_GUIDE",
    "PRINTS",
    "RANKED_BY",
    "SET_VARIABLE",
    "TEMPLATES",
    "VIEW_WORDS",
    "WORK_LIST",
    "Action",
    "AddReport",
    "Asked",
    "Basis",
    "BenchResult",
    "Box",
    "Camera",
    "ComparisonReport",
    "ConsensusPicture",
    "DemoBuilt",
    "Design",
    "Desk",
    "Draft",
    "DraftPhoto",
    "Drafts",
    "Element",
    "EntryRemark",
    "EventRecord",
    "ExaminationLine",
    "ExaminationRecord",
    "Explained",
    "ExportOptions",
    "ExportReport",
    "Fate",
    "Fault",
    "FieldChange",
    "Finding",
    "FoundItem",
    "ImportReport",
    "IncomingPhoto",
    "IntakeState",
    "Library",
    "Lighting",
    "MadeSheet",
    "Mark",
    "MatchReport",
    "NumbersRead",
    "Outcome",
    "Paper",
    "Person",
    "PhotoCheck",
    "PhotoRecord",
    "PointMark",
    "PointRecord",
    "Provenance",
    "RebuildReport",
    "RemarkKind",
    "Role",
    "RoundDefinition",
    "Scores",
    "SearchFilters",
    "SearchReport",
    "Section",
    "Serial",
    "SerialAgreement",
    "SerialHolder",
    "SetCheck",
    "SetInfo",
    "SetOverview",
    "SetReport",
    "SheetDefinition",
    "SheetRecord",
    "SheetState",
    "Sitting",
    "SpecimenRecord",
    "Standing",
    "Taken",
    "View",
    "WantedPhoto",
    "WorldsWanted",
    "answers_csv",
    "barcode_words",
    "bearing_of",
    "bench_retrieval",
    "beyond_words",
    "build_demo_set",
    "can_be_undone",
    "check_photo",
    "compare_photos",
    "compared_reference",
    "crop_box",
    "decode_photo",
    "default_set",
    "definition_of",
    "demo_set_folder",
    "design_phrase",
    "encode_jpeg",
    "figure_words",
    "finding_words",
    "holder_words",
    "is_set",
    "key_of",
    "lacking",
    "likeness_words",
    "limit_words",
    "marked_word",
    "measured_title",
    "missing_photos",
    "new_draft_id",
    "photo_files",
    "points_to_annotations",
    "read_barcodes",
    "read_serials",
    "rectify",
    "remember_name",
    "remembered_name",
    "render_demo_anew",
    "render_html",
    "render_other_world",
    "report_pdf",
    "resize_to_fit",
    "result_words",
    "rotate_quarter",
    "serial_rows",
    "serials_agree",
    "serve_page",
    "share_words",
    "strength_paragraphs",
    "table_of",
    "telling_map",
    "without_photo_words",
    "write_atomically",
    "write_pdf",
    "write_sheet",
]
