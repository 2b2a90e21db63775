"use strict";
(() => {
