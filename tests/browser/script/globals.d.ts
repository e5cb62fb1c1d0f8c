/** The vendored plot library, a script of its own on the page. */
declare const uPlot: any;
