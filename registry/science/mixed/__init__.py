"""Linear mixed models whose random effects all nest in site: the fixed-day comparison.

The model
---------
::

    y = X β + Σ_k Z_k b_k + ε,     b_k ~ N(0, σ² γ_k I),     ε ~ N(0, σ² I)

=========  ====================================================================================
symbol     meaning
=========  ====================================================================================
y          (n,) response, one entry per bag: disintegration on one retrieval day, in %
X          (n, p) fixed-effects design of full column rank (aliased columns are left out by name)
Z_k        (n, q_k) indicator (or indicator × covariate) of random term k
G_k        Z_k Z_kᵀ; G_0 = I is the residual
γ_k        variance ratio σ_k²/σ², >= 0
V, H       V = σ² H,  H = I + Σ_k γ_k G_k
C          (Xᵀ H⁻¹ X)⁻¹, so vcov(β̂) = σ² C
P          H⁻¹ − H⁻¹ X C Xᵀ H⁻¹
F_kl       Z_kᵀ H⁻¹ Z_l
E_k        Z_kᵀ H⁻¹ X
e_k        Z_kᵀ P y; the predicted effects are b̂_k = γ_k e_k
=========  ====================================================================================

For a trial the terms are site, site × material, pile within site, and pile × material where bags
are replicated. σ² is profiled out and the criterion is −2 log likelihood, restricted or not, with
lme4's constant (Bates, Mächler, Bolker & Walker 2015, J. Stat. Softw. 67(1), eqs 34 and 42)::

    REML   log|H| + log|Xᵀ H⁻¹ X| + (n − p) (1 + log(2π yᵀPy / (n − p)))
    ML     log|H|                 +  n      (1 + log(2π yᵀPy /  n     ))

Where things are
----------------
`cells` collapses bags to cells · `site_blocks` and `site_moments` evaluate the trial's model by
site · `nested` evaluates any nested model · `criterion` puts the sums together · `newton` finds
the optimum on γ >= 0 · `identify` names what cannot be separated · `information`,
`degrees_of_freedom` and `f_test` give Satterthwaite and Kenward–Roger · `contrasts`,
`multiplicity`, `studentized_range` and `letters` compare · `general` and `fixed_day` are the doors.
"""
