"""The fleet folder: what a company writes down about itself, its sites, its equipment and its work."""

from pipelines.fleet.company import Company, Depot, Letters, ThresholdChange
from pipelines.fleet.load import Fleet, load_fleet
from pipelines.fleet.problems import Problem
from pipelines.fleet.starter import write_starter_fleet

__all__ = ["Company", "Depot", "Fleet", "Letters", "Problem", "ThresholdChange", "load_fleet",
           "write_starter_fleet"]
