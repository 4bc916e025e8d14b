// Each part of a page is brought to life by one module, where the page has it.
import {copies} from "./copy.js";
import {drops} from "./drop.js";
import {entered} from "./keep.js";
import {filters} from "./filter.js";
import {job} from "./job.js";
import {lots} from "./lots.js";
import {plans} from "./plan.js";
import {readings, rowsFor} from "./readings.js";

copies();
drops();
filters();
job();
lots();
readings();
plans();
entered(rowsFor);
