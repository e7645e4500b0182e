import { $ } from "./dom.mjs";
import { theme } from "./settings.mjs";

theme($("theme-button"));
