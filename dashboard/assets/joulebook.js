/* What must happen in the browser: the colour scheme, the fleet table's cells, and opening a row. */
(function () {
    "use strict";

    const KEY = "joulebook-scheme";
    const NEXT = {auto: "light", light: "dark", dark: "auto"};
    const system = window.matchMedia("(prefers-color-scheme: dark)");
    let chosen = "auto";

    try {
        chosen = NEXT[localStorage.getItem(KEY)] ? localStorage.getItem(KEY) : "auto";
    } catch (error) {
        chosen = "auto"; // storage is switched off: the choice lasts as long as the page
    }

    function scheme() {
        return chosen === "auto" ? (system.matches ? "dark" : "light") : chosen;
    }

    function apply() {
        document.documentElement.dataset.scheme = scheme();
    }

    apply();
    system.addEventListener("change", function () {
        apply();
        window.dash_clientside.set_props("scheme", {data: scheme()});
    });

    function open(id) {
        window.dash_clientside.set_props("url", {pathname: "/node/" + encodeURIComponent(id)});
    }

    window.dash_clientside = Object.assign({}, window.dash_clientside, {
        joulebook: {
            scheme: function (clicks) {
                if (clicks) {
                    chosen = NEXT[chosen];
                    try {
                        localStorage.setItem(KEY, chosen);
                    } catch (error) {
                        console.info("The colour scheme cannot be kept: " + error.message);
                    }
                    apply();
                }
                return [scheme(), "Colours: " + chosen];
            },
            turn: function (title) {
                document.title = title || "Joulebook";
                window.scrollTo(0, 0);
                return window.dash_clientside.no_update;
            },
        },
    });

    const functions = (window.dashAgGridFunctions = window.dashAgGridFunctions || {});

    functions.plain = function (params, decimals) {
        return params.value === null || params.value === undefined ? "–" : params.value.toFixed(decimals).replace("-", "−");
    };
    functions.bounded = function (params) {
        return (params.value !== null && params.data.harvest_lower_bound ? "≥ " : "") + functions.plain(params, 0);
    };
    functions.daysAhead = function (params) {
        if (params.value === null || params.value === undefined) {
            return params.data.forecast ? "past horizon" : "no forecast";
        }
        return params.value.toFixed(params.value < 10 ? 1 : 0);
    };
    functions.age = function (params) {
        const hours = params.value;
        if (hours === null || hours === undefined) {
            return "never";
        }
        return hours < 1 ? Math.max(0, hours * 60).toFixed(0) + " min" : hours < 48 ? hours.toFixed(0) + " h" : (hours / 24).toFixed(0) + " d";
    };
    functions.emptyLast = function (a, b, nodeA, nodeB, descending) {
        const noA = a === null || a === undefined;
        const noB = b === null || b === undefined;
        if (noA || noB) {
            return noA === noB ? 0 : noA === Boolean(descending) ? -1 : 1;
        }
        return a - b;
    };
    functions.openOnEnter = function (params) {
        if (params.event.key === "Enter" && params.data) {
            open(params.data.node_id);
        }
    };
    functions.openOnClick = function (params) {
        const link = params.event.target.closest("a");
        if (!link && params.data && String(window.getSelection()) === "") {
            open(params.data.node_id);
        }
    };

    const components = (window.dashAgGridComponentFunctions = window.dashAgGridComponentFunctions || {});

    components.NodeLink = function (props) {
        return window.React.createElement(
            "a",
            {
                href: "/node/" + encodeURIComponent(props.value),
                onClick: function (event) {
                    if (!event.ctrlKey && !event.metaKey && !event.shiftKey) {
                        event.preventDefault();
                        open(props.value);
                    }
                },
            },
            props.value,
        );
    };
})();
