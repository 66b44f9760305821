"""The fleet folder: what a company writes down about itself, its sites, its equipment and its work."""

from pipelines.fleet.company import Company, Depot, Letters, ThresholdChange
from pipelines.fleet.load import Fleet, load_fleet
from pipelines.fleet.problems import Problem

__all__ = ["Company", "Depot", "Fleet", "Letters", "Problem", "ThresholdChange", "load_fleet"]
