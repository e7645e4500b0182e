import "./dom.mjs";
