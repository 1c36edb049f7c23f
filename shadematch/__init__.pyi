from ._version import __version__ as __version__
from .calibration.calibrate import calibrate as calibrate
from .calibration.files import read_test_pours as read_test_pours
from .calibration.test_pour import TestPour as TestPour
from .colour.illuminant import Illuminant as Illuminant
from .correction.correct import correct as correct
from .errors import (
    ColourError as ColourError,
    FileError as FileError,
    MissingExtraError as MissingExtraError,
    PaletteError as PaletteError,
    PhotoError as PhotoError,
    PourError as PourError,
    ShadematchError as ShadematchError,
    SpectrumError as SpectrumError,
    UnknownNameError as UnknownNameError,
)
from .gamuts.feasibility import feasibility as feasibility
from .gamuts.ladder import ladder as ladder
from .gamuts.reach import gamut as gamut
from .journal.journal import Journal as Journal
from .keeping.files import read as read, save as save
from .keeping.repeat import repeat as repeat
from .keeping.results import save_results as save_results
from .keeping.samples import copy_samples as copy_samples
from .keeping.target_tables import read_targets as read_targets
from .matching.let_down import propose_let_down as propose_let_down
from .matching.lights import lights as lights
from .matching.many import match_many as match_many
from .matching.match import match as match
from .matching.same_look import same_look as same_look
from .matching.smallest_batch import smallest_batch as smallest_batch
from .photo.chart import Chart as Chart
from .photo.combining import combine_photos as combine_photos
from .photo.finding import find_chart as find_chart
from .photo.light import Neutral as Neutral
from .photo.proposal import flat_areas as flat_areas
from .photo.read import read_photo as read_photo
from .photo.regions import Region as Region
from .planning.books import read_orders as read_orders, read_stock as read_stock
from .planning.cost import cost as cost
from .planning.orders import Order as Order
from .planning.plan import plan as plan
from .planning.stock import Stock as Stock
from .predicting.compare import delta_e as delta_e
from .predicting.layers import layers as layers
from .predicting.pot import in_the_pot as in_the_pot
from .predicting.prediction import predict as predict
from .predicting.spread import spread as spread
from .predicting.wedge import wedge as wedge
from .sheet.batch import batch_sheet as batch_sheet
from .studio.palette import Palette as Palette, demo_palette as demo_palette
from .studio.pigment import Base as Base, Pigment as Pigment
from .studio.pour import Pour as Pour
from .studio.recipe import LetDown as LetDown, Recipe as Recipe
from .studio.target import Target as Target
from .studio.view import View as View
