"""A folder of photos: planned, judged in parallel, resumed, summed up. `judge_folder` does it all;
`plan_folder` says what it would do."""

from anodewane.batch.folder import judge_folder as judge_folder
from anodewane.batch.folder import plan_folder as plan_folder
from anodewane.batch.summary import BatchSummary as BatchSummary
